"""A bench made of equations, reached only as bytes and through a ``now`` callable."""

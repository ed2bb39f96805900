"""What a bench engineer reads to trust a number: one file a procedure."""

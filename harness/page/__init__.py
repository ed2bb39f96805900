"""A run watched on a page: served by a process of its own that only reads the run's folder.

A page that hangs, or whoever opens it, can never hold up the run; a stop goes through the run's folder like an
operator's mark.
"""

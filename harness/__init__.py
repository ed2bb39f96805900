"""Running a procedure on the bench safely, and recording it."""

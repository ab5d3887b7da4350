"""What hangs on the wall."""

"""What to make of it: diagnosis, verdict, next steps."""

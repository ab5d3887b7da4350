"""The command line: reads arguments, calls one job, shows its answer."""

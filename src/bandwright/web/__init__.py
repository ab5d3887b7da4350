"""The page: reads requests, calls one job, shows its answer."""

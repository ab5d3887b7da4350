"""Near end and far end; each phase has its own timeout and outcome."""

"""A simulated site behind real protocols."""

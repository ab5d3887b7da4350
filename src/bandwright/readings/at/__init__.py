"""AT dialects: one module each, and one row each in `table`."""

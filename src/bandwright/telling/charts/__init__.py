"""One module a chart, and their table."""

"""The hub's own face: where sites push, and where practitioners see which of them need somebody."""

"""Programs whose printed output is read: one module each, on what they print in common."""

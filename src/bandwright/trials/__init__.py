"""The fair comparison, and change after it."""

"""What is declared and what was measured, durably on disk."""

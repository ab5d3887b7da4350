"""What the air takes: one loss term a module."""

"""From packets to use."""

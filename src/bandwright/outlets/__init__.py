"""Answers that leave unattended."""

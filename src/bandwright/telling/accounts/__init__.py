"""Whole answers laid out as documents: one module for each page."""

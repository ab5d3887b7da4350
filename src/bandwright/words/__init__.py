"""Frozen values that are passed around the house."""

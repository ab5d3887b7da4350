"""One interface, many kinds: fetch a capture, apply a tuning."""

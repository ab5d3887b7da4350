"""Command dialects of modems: what may be asked, what may be set, and what a read-back means."""

"""One module for each thing a person can ask for; the only place where the wings meet."""

"""From a capture to a reading, in layers, with what was not understood."""

"""From a published number back to the line it was read from."""

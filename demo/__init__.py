"""The demo: an invented breeder's room, run through the real line. Nothing imports it."""

"""Files of the demo: the short tower and its schedule are those of `examples/`."""

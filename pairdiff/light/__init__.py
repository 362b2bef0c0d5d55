"""Code values to light: cd/m2 on a stated display, primaries, roll-off, ICtCp."""

"""Which frame belongs to which, and which region to which."""

"""Matched pictures in light become measures."""

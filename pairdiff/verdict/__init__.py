"""Scores and their uncertainty become a label, a sentence and what would change them."""

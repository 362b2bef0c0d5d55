"""Coded values with exact times, and R'G'B' code values from them."""

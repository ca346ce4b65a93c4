"""Hetwright, the bench companion of a person who restores valve radios."""

__version__ = "0.1.0"

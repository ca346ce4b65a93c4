"""Faults: what can go wrong and how often, which faults explain what was read, and what to check next."""

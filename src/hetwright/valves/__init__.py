"""Valves: the catalogue, the current law, and fitting the law to published rows."""

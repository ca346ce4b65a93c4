"""Circuits: a network of points and parts, its working points, slopes and cold resistances. Arrays in, arrays out."""

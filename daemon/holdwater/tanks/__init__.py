"""Tanks: what a depth of water in a tank of any shape amounts to, and how sure that is."""

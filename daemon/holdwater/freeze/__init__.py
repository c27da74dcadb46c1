"""Freeze: the lowest air of the coming night, what can freeze by it, and how often that was right. Pure."""

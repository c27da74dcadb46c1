"""The service of a household that lives on stored water."""

__version__ = "0.1.0"

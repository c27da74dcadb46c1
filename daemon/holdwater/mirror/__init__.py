"""A copy of readings and levels on a time-series server: store-and-forward, in a process of its own."""

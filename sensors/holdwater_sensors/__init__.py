"""From a payload to a level: pure functions, no clock, no network, no file."""

"""From the broker to the inbox: connection, and from a message to readings."""

"""The one SQLite file: steps, writer, reader, roll-ups, backup."""

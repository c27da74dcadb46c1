"""The part of a sensor node that is the same on every board: packs, a ring buffer that survives power cuts, receipts.

Plain modules in the common subset of CPython and MicroPython: no type annotations, no dataclasses, no pathlib.
"""

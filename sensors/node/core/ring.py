"""A ring buffer in one file that survives a power cut at any byte.

Layout: two marks of 32 bytes, then slots of equal size. Entry number n lives in slot n modulo the number of slots,
so a cut while it is written can damage that entry only, and the one it replaces, which was given up before. Each
slot and each mark carries its length and CRC-32; a torn one fails its check and does not exist. The two marks are
written by turns, so one of them is always whole. A mark says up to which entry all is done; an old mark only means
that some entries are sent once more.
"""

import os
from binascii import crc32
from collections import namedtuple
from struct import calcsize, pack, unpack

MAGIC = 0x4857
_MARK = "<HHII"  # magic, bytes of a slot, turn, done
_SLOT = "<HHIIIBQ"  # magic, length of the body, number, run, seq, kind of time, time in ms
MARK_BYTES = 32
SLOT_HEAD = calcsize(_SLOT)
CRC_BYTES = 4


# One sample: number over all boots; number of the boot; number in that boot, from 1; pack.ABSOLUTE or SINCE_BOOT; its
# time in ms; bytes from pack.body.
Entry = namedtuple("Entry", ("number", "run", "seq", "kind", "at_ms", "records"))


def _sealed(data):
    return data + pack("<I", crc32(data) & 0xFFFFFFFF)


def _whole(data, length):
    """The first `length` bytes of `data` if the CRC behind them agrees, else None."""
    if len(data) < length + CRC_BYTES:
        return None
    (seal,) = unpack("<I", data[length : length + CRC_BYTES])
    return data[:length] if seal == crc32(data[:length]) & 0xFFFFFFFF else None


def open_file(path):
    """Open for reading and writing without emptying it; made if it is not there."""
    try:
        return open(path, "r+b")  # noqa: PTH123 - MicroPython has no pathlib
    except OSError:
        return open(path, "w+b")  # noqa: PTH123


class Ring:
    """The ring; `append`, `read` and `done_to` are all that a node needs.

    Args:
        file: open for reading and writing in binary.
        slots: how many entries it holds.
        slot_bytes: bytes of a slot, 29 of them for the ring's own use; with another figure than before it begins empty.
    """

    def __init__(self, file, slots=1024, slot_bytes=256):
        self._file = file
        self.slots = slots
        self._slot_bytes = slot_bytes
        self.head = 0  # number that the next entry gets
        self.done = 0  # every entry below it is stored by the daemon or given up
        self.overwritten = 0  # entries lost since the start because the ring was full
        self.origins = {}  # run → number of its entry with seq 0, for the runs held
        self._turn = 0
        self._load()

    @property
    def oldest(self):
        """Number of the oldest entry that is not done; equals `head` when all are."""
        return max(self.done, self.head - self.slots, 0)

    def append(self, run, seq, kind, at_ms, records):
        """Write one entry to the card; the oldest is given up when the ring is full.

        Raises:
            ValueError: the records are longer than a slot.
        """
        if len(records) > self._slot_bytes - SLOT_HEAD - CRC_BYTES:
            raise ValueError("sample of %d bytes is longer than a slot" % len(records))  # noqa: UP031
        if self.head - self.oldest == self.slots:
            self.overwritten += 1
        number = self.head
        data = pack(_SLOT, MAGIC, len(records), number, run, seq, kind, at_ms) + records
        self._write(self._place(number), _sealed(data))
        self.head = number + 1
        self.done = self.oldest
        if run not in self.origins:
            self.origins[run] = number - seq
            self._forget_old()
        return number

    def read(self, number):
        """The entry of that number, or None when it is not there or damaged."""
        if not self.oldest <= number < self.head:
            return None
        entry = self._slot(number % self.slots)
        return entry if entry is not None and entry.number == number else None

    def done_to(self, number):
        """Give up every entry below `number`; told to the card in one small write."""
        number = min(number, self.head)
        if number > self.done:
            self.done = number
            self._mark()

    def undo(self):
        """Hold again what is still in its slot, because the store it went to is gone. Returns how many came back."""
        before, self.done = self.oldest, max(0, self.head - self.slots)
        while self.done < before and self.read(self.done) is None:
            self.done += 1
        self._mark()
        return before - self.done

    def number_of(self, run, seq):
        """Number of the entry of that run and seq, at most the run's last; None for a run the ring does not know."""
        origin = self.origins.get(run)
        if origin is None:
            return None
        later = [each for each in self.origins.values() if each > origin]
        return min([origin + seq, self.head - 1] + later)  # noqa: RUF005

    def close(self):
        """Close the file."""
        self._file.close()

    def _place(self, number):
        return 2 * MARK_BYTES + number % self.slots * self._slot_bytes

    def _write(self, place, data):
        self._file.seek(0, 2)
        short = place - self._file.tell()
        if short > 0:  # some file systems leave old bytes in a gap
            self._file.write(b"\0" * short)
        self._file.seek(place)
        self._file.write(data)
        self._file.flush()
        if hasattr(os, "fsync") and hasattr(self._file, "fileno"):
            os.fsync(self._file.fileno())

    def _mark(self):
        self._turn += 1
        data = pack(_MARK, MAGIC, self._slot_bytes, self._turn & 0xFFFFFFFF, self.done)
        self._write(self._turn % 2 * MARK_BYTES, _sealed(data))

    def _load(self):
        done = 0
        for turn in (0, 1):
            self._file.seek(turn * MARK_BYTES)
            data = _whole(self._file.read(MARK_BYTES), calcsize(_MARK))
            if data is not None:
                magic, slot_bytes, number, upto = unpack(_MARK, data)
                if magic == MAGIC and slot_bytes == self._slot_bytes and number >= self._turn:
                    self._turn, done = number, upto
        self.head = done  # entries are looked at one by one: all of them would not fit into a small heap
        for slot in range(self.slots):
            entry = self._slot(slot)
            if entry is not None:
                self.origins[entry.run] = entry.number - entry.seq
                self.head = max(self.head, entry.number + 1)
        self.done = min(done, self.head)
        self.done = self.oldest
        self._forget_old()

    def _forget_old(self):
        """Forget runs that no slot holds any more: those before the run of the oldest slot."""
        begun = [origin for origin in self.origins.values() if origin < max(0, self.head - self.slots)]
        for run in [run for run, origin in self.origins.items() if begun and origin < max(begun)]:
            del self.origins[run]

    def _slot(self, slot):
        self._file.seek(2 * MARK_BYTES + slot * self._slot_bytes)
        data = self._file.read(self._slot_bytes)
        if len(data) < SLOT_HEAD + CRC_BYTES:
            return None
        magic, length, number, run, seq, kind, at_ms = unpack(_SLOT, data[:SLOT_HEAD])
        if magic != MAGIC or number % self.slots != slot or _whole(data, SLOT_HEAD + length) is None:
            return None
        return Entry(number, run, seq, kind, at_ms, data[SLOT_HEAD : SLOT_HEAD + length])

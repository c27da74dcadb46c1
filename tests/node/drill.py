"""Drills of the node core, alike under CPython and MicroPython: `python drill.py CORE NAME` prints one JSON line."""

import json
import sys

sys.path.insert(0, sys.argv[1])

from core.node import WINDOW, Node, new_run
from core.pack import ABSOLUTE, SINCE_BOOT, body, record, seconds, senml
from core.receipts import Patience, parse
from core.ring import CRC_BYTES, MARK_BYTES, SLOT_HEAD, Entry, Ring, open_file


class Card:
    """A file in memory that remembers every byte written, in order, so that a cut can be placed after any of them."""

    def __init__(self, data=b""):
        self.data = bytearray(data)
        self.log = []
        self._at = 0

    def seek(self, place, whence=0):
        self._at = place + (len(self.data) if whence == 2 else 0)

    def tell(self):
        return self._at

    def read(self, count):
        found = bytes(self.data[self._at : self._at + count])
        self._at += len(found)
        return found

    def write(self, data):
        for byte in data:
            put(self.data, self._at, byte)
            self.log.append((self._at, byte))
            self._at += 1

    def flush(self):
        pass


def put(data, place, byte):
    if place < len(data):
        data[place] = byte
    else:
        assert place == len(data), "a gap in the file"
        data.append(byte)


class Line:
    """A transport that can be down, and a daemon behind it that stores packs and gives receipts as holdwater does."""

    def __init__(self):
        self.up = True
        self.sent = []

    def publish(self, topic, payload):
        if self.up:
            self.sent.append(json.loads(payload))
        return self.up


class Time:
    """Milliseconds, set by hand."""

    def __init__(self):
        self.ms = 1000

    def __call__(self):
        return self.ms


def half():
    return 0.5


def records(text):
    return body([("gap", "m", text)])


def cut_everywhere():
    """Cut after every byte written: what was whole before the cut is there, and nothing else is."""
    card, slots, size = Card(), 8, 96
    ring = Ring(card, slots, size)
    steps = [(0, 0, 0)]  # bytes written, head, done, after each step
    truth = {}
    for number in range(27):
        run, seq = number // 5 + 1, number % 5 + 1
        truth[number] = (run, seq, 1000 * number, records(number / 8))
        ring.append(run, seq, ABSOLUTE, 1000 * number, truth[number][3])
        steps.append((len(card.log), ring.head, ring.done))
        if number % 3 == 2:
            ring.done_to(number - 1)
            steps.append((len(card.log), ring.head, ring.done))
    after, step, checked = bytearray(), 0, 0
    for cut in range(len(card.log) + 1):
        if cut:
            put(after, *card.log[cut - 1])
        while step + 1 < len(steps) and steps[step + 1][0] <= cut:
            step += 1
        _, head, done = steps[step]
        begun = steps[min(step + 1, len(steps) - 1)]
        found = Ring(Card(after), slots, size)
        assert head <= found.head <= begun[1], (cut, head, found.head)
        assert found.done <= begun[2], (cut, found.done)
        spared = 1 if begun[1] > head else 0  # the entry that is being replaced was given up before
        for number in range(max(done, head - slots + spared, found.oldest), head):
            entry = found.read(number)
            assert entry is not None, (cut, number)
            assert (entry.run, entry.seq, entry.at_ms, entry.records) == truth[number], (cut, number)
            assert found.number_of(entry.run, entry.seq) == number
            checked += 1
        number = found.append(99, 1, SINCE_BOOT, 5, records(1))  # and it goes on
        assert found.read(number).run == 99
    return {"cuts": len(card.log) + 1, "checked": checked}


def rotten_bytes():
    """Any single byte gone wrong costs at most the one entry or mark it is in."""
    card = Card()
    ring = Ring(card, 4, 96)
    for number in range(4):
        ring.append(7, number + 1, ABSOLUTE, number, records(number))
    lost = []
    for place in range(len(card.data)):
        data = bytearray(card.data)
        data[place] ^= 0x5A
        found = Ring(Card(data), 4, 96)
        missing = [number for number in range(4) if found.read(number) is None]
        assert len(missing) <= 1, (place, missing)
        lost.append(len(missing))
    return {"bytes": len(lost), "harmful": sum(lost)}


def full_ring(path):
    """A full ring gives up the oldest, counts it, and `keep` says so; a reopened file holds the same."""
    ring = Ring(open_file(path), 4, 96)
    line, time = Line(), Time()
    line.up = False
    node = Node("tank", ring, line, run=5, mono_ms=time, fraction=half, wall_ms=lambda: 1790000000123)
    for value in range(10):
        node.sample([("gap", "m", value)])
        node.step()
    held = [ring.read(number).seq for number in range(ring.oldest, ring.head)]
    ring.close()
    again = Ring(open_file(path), 4, 96)
    line.up = True
    node = Node("tank", again, line, run=6, mono_ms=time, fraction=half, wall_ms=lambda: 1790000000999)
    node.step()
    first = [[pack[0]["run"], pack[0]["seq"], pack[0]["keep"]] for pack in line.sent]
    again.close()
    return {"held": held, "overwritten": ring.overwritten, "sent": first, "bt": line.sent[0][0]["bt"]}


def long_season(path):
    """A ring of 512 slots in a file, filled by two boots and opened again: what a small board has to bear."""
    line, time = Line(), Time()
    line.up = False
    for boot in (1, 2):
        ring = Ring(open_file(path), 512, 128)
        node = Node("tank", ring, line, run=boot, mono_ms=time, fraction=half, wall_ms=lambda: 1790000000123)
        for value in range(300):
            node.sample([("gap", "m", value / 7), ("air", "Cel", 21.5)])
        ring.close()
    ring = Ring(open_file(path), 512, 128)
    found = ring.read(ring.oldest)
    ring.close()
    return {"head": ring.head, "run": found.run, "seq": found.seq}


def receipts_trim():
    """Receipts trim the ring; islands are not sent again; another store gets everything that is still there."""
    line, time, card = Line(), Time(), Card()
    node = Node("tank", Ring(card, 64, 96), line, run=5, mono_ms=time, fraction=half, wall_ms=lambda: time.ms)

    def say(**what):
        node.on_message("water/node/tank/receipt", json.dumps(what))

    for value in range(40):
        node.sample([("gap", "m", value)])
    steps = [node.step()]
    say(store="a", run=5, upto=4, ahead=[[7, 8]])
    steps.append(node.step())
    oldest = [node.ring.oldest]
    time.ms += 10**6
    line.sent = []
    node.step()
    again = [pack[0]["seq"] for pack in line.sent]
    say(store="a", run=5, upto=40, ahead=[])
    oldest.append(node.ring.oldest)
    say(store="a", run=4, upto=99, ahead=[])  # of another run: nothing to do with ours
    node.on_message("water/node/other/receipt", json.dumps({"store": "z", "run": 5, "upto": 0, "ahead": []}))
    node.on_message("water/node/tank/receipt", b"nonsense")
    node.on_message("water/node/tank/receipt", b'{"store": "a", "run": 5, "upto": 99, "ahead": 7}')
    oldest.append(node.ring.oldest)
    node.sample([("gap", "m", 41)])
    line.sent = []
    node.step()
    keep = line.sent[0][0]["keep"]
    say(store="b", run=5, upto=0, ahead=[])
    return {"steps": steps, "oldest": oldest, "again": again, "keep": keep, "undone": node.ring.oldest}


def no_clock():
    """A node without a clock sends ages; after a new boot the old samples have none, are given up, `keep` says so."""
    line, time, card = Line(), Time(), Card()
    node = Node("tank", Ring(card, 8, 96), line, run=5, mono_ms=time, fraction=half)
    node.sample([("pressure", "Pa", 7000.5)])
    time.ms += 2500
    node.step()
    first = line.sent[0][0]
    for _ in range(3):
        node.sample([("pressure", "Pa", 7001.0)])
    time.ms = 10
    node = Node("tank", Ring(Card(card.data), 8, 96), line, run=6, mono_ms=time, fraction=half)
    node.sample([("pressure", "Pa", 7002.0)])
    line.sent = []
    node.step()
    return {"bt": first["bt"], "v": first["v"], "sent": [[p[0]["run"], p[0]["seq"], p[0]["keep"]] for p in line.sent]}


def waits():
    """Back-off doubles up to its cap with full jitter, and begins anew after a success."""
    patience = Patience(lambda: 0.999999, patience_ms=1000, most_ms=8000)
    grown = [patience.wait_ms() for _ in range(6)]
    patience.good()
    least = Patience(lambda: 0.0, patience_ms=1000, most_ms=8000)
    return {"grown": grown, "anew": patience.wait_ms(), "least": [least.wait_ms() for _ in range(3)]}


def words():
    """Texts of packs, and what is refused."""
    refused = []
    bad = [("", 1), ("a b", 1), ("é", 1), ("_a", 1), ('a"', 1), ("a", float("nan")), ("a", float("inf")), ("a", True)]
    for quantity, value in bad:
        try:
            record(quantity, "m", value)
        except ValueError:
            refused.append(quantity)
    entry = Entry(0, 3, 4, ABSOLUTE, 0, body([("gap", "m", 0.5123), ("rain", "count", 12), ("rh", "%RH", 1e-9)]))
    return {
        "refused": len(refused),
        "seconds": [seconds(ms) for ms in (0, 5, -5, 1500, -250, 1790000000123, -60000)],
        "pack": senml("garden", 1790000000500, entry, 2).decode(),
        "run": [new_run(lambda n: b"\0\0\0\0"[:n]), new_run(lambda n: b"\xff\xff\xff\xff"[:n])],
        "parsed": parse(b'{"store":"s","run":1,"upto":2,"ahead":[[4,5]]}').has(5),
        "frame": [WINDOW, MARK_BYTES, SLOT_HEAD + CRC_BYTES],
    }


DRILLS = {
    each.__name__: each
    for each in (cut_everywhere, rotten_bytes, full_ring, long_season, receipts_trim, no_clock, waits, words)
}
if __name__ == "__main__":
    print(json.dumps(DRILLS[sys.argv[2]](*sys.argv[3:])))

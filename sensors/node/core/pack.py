"""SenML packs of a node (RFC 8428, JSON), put together as text.

By hand and not with `json.dumps`: MicroPython keeps no order of keys, and many boards have floats of 32 bits, which
cut a time in seconds since 1970 to steps of two minutes. Times are whole milliseconds until they are text.
"""

from math import isfinite

ABSOLUTE = 0  # `at_ms` of a sample is milliseconds since 1970-01-01 UTC
SINCE_BOOT = 1  # `at_ms` is milliseconds since this boot: the node has no clock
ALPHANUMERIC = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
DIGITS = "%.7g"  # what a float of 32 bits holds


def _plain(text, others):
    """True for ASCII letters, digits and `others`, a letter or digit first (RFC 8428, section 4.5.1)."""
    return bool(text) and text[0] in ALPHANUMERIC and not text.strip(ALPHANUMERIC + others)


def record(quantity, unit, value):
    """One SenML record without its braces.

    Args:
        quantity: name of what is measured, such as "gap"; letters, digits, ``_ . -``.
        unit: SenML unit: m, Pa, Cel, V, count, ….
        value: int or float in that unit.

    Raises:
        ValueError: the name has other characters or the value is no ordinary number.
    """
    if not _plain(quantity, "_.-") or not _plain(unit.replace("%", "pc"), "/"):
        raise ValueError("not a name and unit for a pack: " + repr((quantity, unit)))
    if value is True or value is False or not isfinite(value):
        raise ValueError("no ordinary number for " + quantity)
    text = str(value) if isinstance(value, int) else DIGITS % value
    return '"n":"' + quantity + '","u":"' + unit + '","v":' + text


def body(readings):
    """The records of one sample, joined, as the ring keeps them.

    Args:
        readings: list of (quantity, unit, value), at least one.

    Returns:
        Bytes that `senml` completes to a pack.
    """
    if not readings:
        raise ValueError("a sample without readings")
    return "},{".join([record(*each) for each in readings]).encode()


def seconds(ms):
    """Milliseconds as the text of a number of seconds, exact: 1500 → "1.5", -250 → "-0.25"."""
    sign = "-" if ms < 0 else ""
    whole, rest = divmod(abs(ms), 1000)
    text = sign + str(whole)
    if rest:
        text += ("." + "%03d" % rest).rstrip("0")  # noqa: UP031 - one spelling for both Pythons
    return text


def senml(node, base_ms, entry, keep):
    """A whole pack.

    Args:
        node: name of the node; the topic says it too, and only the topic is believed.
        base_ms: time of the sample: milliseconds since 1970, or, not above zero, how long ago it was.
        entry: what the ring holds: `run`, number of the boot; `seq`, number of the pack in it, from 1; `records`,
            from `body`.
        keep: oldest number of the run that the node still holds.

    Returns:
        The payload: SenML JSON with `run`, `seq` and `keep` as extra labels of the first record.
    """
    head = '[{"bn":"' + node + ':","bt":' + seconds(base_ms)
    head += ',"run":' + str(entry.run) + ',"seq":' + str(entry.seq) + ',"keep":' + str(keep) + ","
    return head.encode() + entry.records + b"}]"

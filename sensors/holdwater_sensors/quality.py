"""Quality of a reading: ok, suspect or rejected, with a reason out of a closed list.

A code is one small integer, ``grade * 100 + reason``, so that the worst of many is ``max`` and a row stores it in two
bytes.
"""

from __future__ import annotations

from enum import IntEnum


class Grade(IntEnum):
    """How far a reading may be trusted."""

    OK = 0
    SUSPECT = 1
    REJECTED = 2


class Reason(IntEnum):
    """Why a reading is suspect or rejected. The list is closed: numbers are stored and never change their meaning."""

    NONE = 0
    SPIKE = 1  # far from its neighbours, not confirmed by the next readings
    STUCK = 2  # frozen at one value while it should have moved
    DEAD_ZONE = 3  # inside the blanking distance of an ultrasonic sensor
    DOUBLE_ECHO = 4  # about twice the true distance
    OUT_OF_RANGE = 5  # outside what the sensor or the tank can give
    BELOW_SENSOR = 6  # water below the sensor: it reads zero, the tank need not be empty
    WALL = 7  # the beam meets the wall above this depth
    ICE = 8  # near or below freezing: diaphragm or face may be iced
    LOOP = 9  # current loop outside its measuring band (NAMUR NE 43)
    SUPPLY = 10  # supply voltage missing or out of band
    DISAGREES = 11  # contradicts another sensor of the same tank
    FUTURE = 12  # stamped ahead of the clock
    NOT_FINITE = 13  # no ordinary number
    NO_AIR = 14  # no recent air temperature: speed of sound assumed
    NO_BAROMETER = 15  # no recent air pressure for an absolute sensor
    EXTRAPOLATED = 16  # outside the range of a calibration or dip chart
    TOO_FAST = 17  # changed faster than the tank can fill or empty
    FLOAT = 18  # contradicts a float switch
    LINK = 19  # joined vessels stand apart
    ABOVE_OVERFLOW = 20  # above the overflow lip: capacity counts, not more


WORDS: dict[Reason, str] = {
    Reason.NONE: "good",
    Reason.SPIKE: "jumped away from its neighbours",
    Reason.STUCK: "stuck at one value",
    Reason.DEAD_ZONE: "water too near the sensor to measure",
    Reason.DOUBLE_ECHO: "a double echo",
    Reason.OUT_OF_RANGE: "outside what this sensor or tank can give",
    Reason.BELOW_SENSOR: "water below the sensor",
    Reason.WALL: "the beam meets the tank wall",
    Reason.ICE: "ice at the sensor is likely",
    Reason.LOOP: "current loop outside its measuring band",
    Reason.SUPPLY: "sensor supply voltage is wrong",
    Reason.DISAGREES: "two sensors disagree",
    Reason.FUTURE: "stamped ahead of the clock",
    Reason.NOT_FINITE: "not an ordinary number",
    Reason.NO_AIR: "no recent air temperature",
    Reason.NO_BAROMETER: "no recent air pressure",
    Reason.EXTRAPOLATED: "outside the calibrated range",
    Reason.TOO_FAST: "changed faster than this tank can",
    Reason.FLOAT: "contradicts the float switch",
    Reason.LINK: "joined vessels stand apart",
    Reason.ABOVE_OVERFLOW: "above the overflow lip",
}


def code(grade: Grade, reason: Reason = Reason.NONE) -> int:
    """One integer for grade and reason; a worse grade is always the larger code."""
    return grade * 100 + reason


def grade_of(quality: int) -> Grade:
    """The grade in a code."""
    try:
        return _GRADES[quality // 100]
    except KeyError:
        return Grade(quality // 100)  # says what is wrong with it


def reason_of(quality: int) -> Reason:
    """The reason in a code."""
    return Reason(quality % 100)


def words(quality: int) -> str:
    """A code in words: ``ok``, ``suspect: stuck at one value``."""
    grade, reason = grade_of(quality), reason_of(quality)
    name = grade.name.lower()
    return name if reason is Reason.NONE else f"{name}: {WORDS[reason]}"


_GRADES = {int(each): each for each in Grade}  # asked for every reading: a look-up costs a third of Grade(...)
OK = code(Grade.OK)

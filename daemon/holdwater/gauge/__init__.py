"""From readings to the level of a tank: for the live picture one by one, for history over a stretch of record. Pure.

Both ways use the same steps: what surrounds the sensor at that time, the instrument's depth, the filter's verdict, its behaviour, what
float switches, other sensors, hand dips and notes say, the tank's stand. They differ in one thing only: at arrival the filter looks back,
in history it looks both ways.
"""

from holdwater.gauge.beside import (
    AROUND_MS,
    HOUR_MS,
    Place,
    Points,
    RecordedSurrounds,
    Surrounds,
    around,
    companions,
)
from holdwater.gauge.company import measures
from holdwater.gauge.dispute import Dispute
from holdwater.gauge.live import Gauge
from holdwater.gauge.past import MARGIN_MS, Mounted, history
from holdwater.gauge.point import LevelPoint, Summary, summary
from holdwater.gauge.record import Hour, Record
from holdwater.gauge.told import NOTHING, Dipped, Noted, Told, dipped, told_of

__all__ = [
    "AROUND_MS", "HOUR_MS", "MARGIN_MS", "NOTHING", "Dipped", "Dispute", "Gauge", "Hour", "LevelPoint", "Mounted", "Noted", "Place",
    "Points", "Record", "RecordedSurrounds", "Summary", "Surrounds", "Told", "around", "companions", "dipped", "history", "measures",
    "summary", "told_of",
]  # fmt: skip

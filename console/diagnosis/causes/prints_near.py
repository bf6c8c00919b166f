"""What firmware printed around an episode: complaints, boots, links lost and found, numbers.

Firmware has no standard words. These patterns take the common stems of each idea; a print counts
for one only where it stands beside other signs.
"""

from __future__ import annotations

import polars as pl

from console.diagnosis.boots import say_boot
from console.diagnosis.scene import Scene

_S = 1_000_000_000
COMPLAINT = (
    r"(?i)time-?d? ?out|\bfail|error|\berr\b|no (answer|reply|response)|not (respond|answer|found)"
    r"|\bnack|\bbusy\b|stuck|unreachable|gave up|giving up"
)
BUS_WORD = r"(?i)i2c|smbus|\bbus\b|\bsda\b|\bscl\b|sensor|nack|read|write|poll"
WATCHDOG = r"(?i)watchdog|\bwdt\b|panic|hard ?fault"
BROWN_OUT = r"(?i)brown-? ?out|under-? ?volt|supply (dip|low)|\bvbat low|voltage (dip|drop)"
RECOVERY = r"(?i)recover|bus clear|clear(ing)? (the )?bus|unstick|bit-?bang|toggl"
ACTUATOR = (
    r"(?i)servo|\bdivert|\bgate\b|motor|relay|solenoid|pump|valve|\bfan\b|heater|actuator|\bpwm\b"
)
POWER_SWITCH = r"(?i)\b(power(ed|ing)?|pwr|supply|rail|vcc|vdd|\dv\d*|load switch)\b"
SWITCHED_OFF = r"(?i)\boff\b|\bdown\b|\bcut\b|disab|(->|=|:)\s*0\b"
SWITCHED_ON = r"(?i)\bon\b|\bup\b|restor|enab|(->|=|:)\s*1\b"
LINK_LOST = (
    r"(?i)disconnect|connection (lost|closed|reset)|link (lost|down)"
    r"|lost (the )?(connection|broker|link)|broker (lost|gone|away)"
    r"|(mqtt|broker|net)\W.*\b(lost|closed|dropped|timeout|timed out)"
)
LINK_FOUND = r"(?i)(?<!dis)\b(re-?)?connected\b|connack|session resumed|(mqtt|broker).*\bup\b"
SUBSCRIBED = r"(?i)\bsubscrib|\bsuback"
TAKEN_OVER = (
    r"(?i)taken over|0x8e|\b142\b.*session|same (client )?id|duplicate client|another client"
)
ALLOCATION = r"(?i)alloc|out of memory|no memory|\boom\b|no heap|heap (low|full)"
HANDLES = r"(?i)handle|descriptor|socket|\bfd\b|slot|\bopen(ed)?\b|queue"
EXHAUSTED = (
    r"(?i)(no|out of|too many|exhaust|all) .*(handle|descriptor|socket|slot|open|queue|left)"
    r"|\be[mn]file\b|\berrno\W{0,3}2[34]\b"  # Linux errno(3): ENFILE 23, EMFILE 24
)
OVERRUN = r"(?i)overrun|\bore\b|rx (lost|overflow)|fifo overflow"


def matching(prints: pl.DataFrame, *patterns: str) -> pl.DataFrame:
    """The prints whose text matches every pattern."""
    for pattern in patterns:
        prints = prints.filter(_matches(prints["text"], pattern))
    return prints


def _matches(texts: pl.Series, pattern: str) -> pl.Series:
    """bool[n]; look-behind is not in the linear-time engine, so it is undone here."""
    if "(?<!dis)" not in pattern:
        return texts.str.contains(pattern).fill_null(value=False)
    plain = texts.str.contains(pattern.replace("(?<!dis)", "")).fill_null(value=False)
    return plain & ~texts.str.contains(r"(?i)disconnected").fill_null(value=False)


def restarts_of(scene: Scene) -> pl.DataFrame:
    """Boot lines and lines whose stamp went back by a second: `t_ns`, `source`, `text`.

    The boot with which a log begins is none.
    """
    prints = scene.table("prints")
    back = (pl.col("native_ns").diff().over("source") < -_S).fill_null(value=False)
    begins = pl.col("t_ns") - pl.col("t_ns").min().over("source") < _S
    said = say_boot(prints["text"]) & ~begins.fill_null(value=False)
    return prints.filter(back | said).select("t_ns", "source", "text")

"""Units in what people wrote: behind a number ("89.2 cm"), or as the end of a name (`level_cm`).

A guess about what was meant; where a packet description names the unit, that counts.
"""

from __future__ import annotations

import re

# Symbols of the SI Brochure (9th edition, tables 2, 4, 7 and 8) that boards print, and what common
# practice adds.
_TIME = "ns us µs μs ms s min h Hz kHz MHz GHz"
_SIZE = "nm um µm μm mm cm m km deg ° rad px mg g kg ml mL l L B kB KB KiB MB MiB bytes"
_ELECTRIC = "mV V kV uA µA μA mA A mW W kW mOhm ohm Ohm kOhm Ω kΩ J Wh mAh dB dBm"
_OTHER = "degC °C K rpm % ppm Pa hPa kPa bar mbar N Nm lx"
UNITS = frozenset(" ".join((_TIME, _SIZE, _ELECTRIC, _OTHER)).split(" "))
_ALSO_WORDS = {"min"}  # which as a name is rather the lowest value

_BEHIND = re.compile(r"\s?([^\W\d_]+|°C|°|%)(?!\w)")


def unit_behind(text: str, *, number_follows: bool) -> str:
    """The unit with which a text begins that stands behind a number; "" where none does.

    Args:
        text: what stands between the number and the next one, or the end.
        number_follows: another number comes next: a word alone between two is the name of the
            second ("blocks 2 us 3358"), unless it is joined to the first ("2us 3358").
    """
    match = _BEHIND.match(text)
    if match is None or match[1] not in UNITS:
        return ""
    if number_follows and text.strip() == match[1] and text[:1].isspace():
        return ""
    return match[1]


def unit_of_name(name: str) -> str:
    """The unit a name is or ends with; "" where none does. Single letters are taken for names."""
    last = re.split(r"[_\s-]", name)[-1]
    return last if last in UNITS and len(last) > 1 and last not in _ALSO_WORDS else ""

"""Which lines the command line says a bus is made of, and the same lines in another capture."""

from __future__ import annotations

import re
from collections.abc import Sequence

import msgspec

from console.bench.lines import Spi, SpiDevice
from console.bench.model import Bench, Bus
from decoders.errors import DescriptionError

_PAIR = re.compile(r"\s*(scl|sda)\s*=\s*([^,]+?)\s*,\s*(scl|sda)\s*=\s*([^,]+?)\s*", re.IGNORECASE)


def with_buses(bench: Bench, texts: Sequence[str], capture: str | None) -> Bench:
    """The bench with the buses of `--i2c` in place of its own, in the first capture.

    Raises:
        DescriptionError: what is wrong with one of them.
    """
    if not texts:
        return bench
    if capture is None:
        raise _no_capture("--i2c")
    buses = []
    for k, text in enumerate(texts):
        match = _PAIR.fullmatch(text)
        lines = {match[1].lower(): match[2], match[3].lower(): match[4]} if match else {}
        if set(lines) != {"scl", "sda"}:
            raise DescriptionError(
                f"--i2c: '{text}' does not name two lines",
                mend="Write it as scl=NAME,sda=NAME with the names of two channels.",
            )
        if lines["scl"] == lines["sda"]:
            raise DescriptionError(
                f"--i2c: '{text}' names one line twice", mend="SCL and SDA are two lines."
            )
        name = bench.buses[k].name if k < len(bench.buses) else f"i2c-{k + 1}"
        buses.append(Bus(name=name, source=capture, scl=lines["scl"], sda=lines["sda"]))
    return msgspec.structs.replace(bench, buses=buses)


def with_spis(bench: Bench, texts: Sequence[str], capture: str | None) -> Bench:
    """The bench with the buses of `--spi` in place of its own, in the first capture.

    Raises:
        DescriptionError: what is wrong with one of them.
    """
    if not texts:
        return bench
    if capture is None:
        raise _no_capture("--spi")
    spis = []
    for k, text in enumerate(texts):
        name = bench.spis[k].name if k < len(bench.spis) else f"spi-{k + 1}"
        try:
            spis.append(_spi_of(text, name, capture))
        except ValueError as error:
            raise DescriptionError(
                f"--spi: '{text}' {error}",
                mend="Write it as sck=NAME,mosi=NAME,miso=NAME,cs=NAME with the names of channels; "
                "mosi or miso may be left out, and cs may stand once for each device.",
            ) from error
    return msgspec.structs.replace(bench, spis=spis)


def _no_capture(option: str) -> DescriptionError:
    return DescriptionError(f"{option}: there is no level capture among the files", mend="Add one.")


def _spi_of(text: str, name: str, source: str) -> Spi:
    """A bus as `--spi` writes it.

    Raises:
        ValueError: what is wrong, to follow the text.
    """
    pairs = [part.partition("=") for part in text.split(",")]
    lines = [(key.strip().lower(), value.strip()) for key, _, value in pairs]
    roles = [role for role, _ in lines]
    if any(role not in ("sck", "mosi", "miso", "cs") or not value for role, value in lines):
        raise ValueError("is not made of sck=, mosi=, miso= and cs=")
    if any(roles.count(role) > 1 for role in ("sck", "mosi", "miso")) or "sck" not in roles:
        raise ValueError("does not name one clock, and each data line at most once")
    if len({value for _, value in lines}) < len(lines):
        raise ValueError("names one line twice")
    told = dict(lines)
    if "mosi" not in told and "miso" not in told:
        raise ValueError("names no data line")
    devices = [SpiDevice(name=value, select=value) for role, value in lines if role == "cs"]
    return Spi(
        name=name,
        source=source,
        sck=told["sck"],
        mosi=told.get("mosi"),
        miso=told.get("miso"),
        device=devices,
    )


_OF_LINES = ("buses", "spis", "uarts", "pulses", "servos", "rangings")  # lists of a bench


def with_lines_of(bench: Bench, copies: Sequence[tuple[str, str]]) -> Bench:
    """The bench with what it says of the lines of a capture said of another one, too."""
    for one, other in copies:
        more = {
            key: [
                *getattr(bench, key),
                *(
                    msgspec.structs.replace(each, source=other)
                    for each in getattr(bench, key)
                    if each.source == one
                ),
            ]
            for key in _OF_LINES
        }
        bench = msgspec.structs.replace(bench, **more)
    return bench

"""The bench files of the corpus."""

from __future__ import annotations

from captures_demo.simulator.corpus.variant import MILLI, Part, Variant

WIRE = {"vcd": "wire.vcd"}  # the others are delimited text
LOG, MESSAGES = "controller.log", "broker.jsonl"


def wire_name(capture: str) -> str:
    """File name of a capture of that layout."""
    return WIRE.get(capture, "wire.csv")


def bench_toml(variant: Variant) -> str:
    """Sources, bus, devices and rules; every path is relative to the file."""
    parts = (variant.part, *variant.neighbours)
    return "\n".join(
        [
            '[bench]\nname = "cap line"\n',
            _source("wire", "capture", wire_name(variant.capture)),
            _source("controller", "prints", LOG) + _stamps(variant),
            _source("broker", "messages", MESSAGES),
            '[[bus]]\nname = "i2c-1"\nsource = "wire"\nscl = "scl"\nsda = "sda"\n',
            *(_device(part, variant.joint_ns) for part in parts),
            *(_rules(part) for part in parts),
        ]
    )


def without(text: str, names: frozenset[str]) -> str:
    """The same bench without some kinds of sources (`capture`, `prints`, `messages`)."""
    kept = [
        block
        for block in text.split("\n\n")
        if not any(f'kind = "{name}"' in block and "[[source]]" in block for name in names)
    ]
    if "capture" in names:
        kept = [b for b in kept if not b.lstrip().startswith(("[[bus]]", "[[device]]", "[[rule]]"))]
    return "\n\n".join(kept)


def _source(name: str, kind: str, path: str) -> str:
    return f'[[source]]\nname = "{name}"\nkind = "{kind}"\npath = "{path}"\n'


def _stamps(variant: Variant) -> str:
    unit = "ms" if variant.tick_unit_ns == MILLI else "us"
    line = rf"^\[ *(?P<{unit}>\d+)\] (?P<level>[IWE]) (?P<text>.*)$"
    return f"line = '{line}'\ntick_bits = 32\n"


def _device(part: Part, joint_ns: int) -> str:
    field = '{{ name = "{0}", type = "u16", order = "{1}" }}'
    fields = ", ".join(field.format(name, part.order) for name in ("count", "value"))
    # A write that ends with its own STOP is no register write to those who read the wire.
    register = "" if joint_ns else f"  register = {part.register:#04x}\n"
    ask = f'{{ name = "register", type = "u8", constant = {part.register:#04x} }}'
    asked = f'  [[device.packet]]\n  name = "ask"\n  direction = "write"\n  field = [{ask}]\n'
    return (
        f'[[device]]\nname = "{part.name}"\nbus = "i2c-1"\naddress = {part.address:#04x}\n'
        f"pec = {str(part.pec).lower()}\n{asked if joint_ns else ''}"
        f'  [[device.packet]]\n  name = "sample"\n  direction = "read"\n'
        f"{register}  field = [{fields}]\n"
    )


def _rules(part: Part) -> str:
    return (
        f'[[rule]]\nkind = "stops-answering"\nname = "{part.name} answers"\n'
        f'device = "{part.name}"\nafter_polls = 5\n'
    )

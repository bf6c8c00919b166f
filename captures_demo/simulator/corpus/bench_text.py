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
            *(_device(part, variant) for part in parts),
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
    line = rf"^\[ *(?P<{unit}>\d+)\] (?P<level>[DIWE]) (?P<text>.*)$"
    return f"line = '{line}'\ntick_bits = 32\n"


def _device(part: Part, variant: Variant) -> str:
    lines = ["[[device]]", f'name = "{part.name}"', 'bus = "i2c-1"']
    lines += [f"address = {part.address:#04x}", f"pec = {str(part.pec).lower()}"]
    word = '{{ name = "{}", type = "u16", order = "{}" }}'
    sample = [word.format(name, part.order) for name in ("count", "value")]
    failing = part == variant.part
    if failing and variant.longer:
        sample.append('{ name = "rest", type = "bytes" }')
    if variant.joint_ns:
        # A write that ends with its own STOP is no register read to those who read the wire.
        ask = '{ name = "register", type = "u8" }'
        lines += _packet("ask", "write", None, [ask]) + _packet("sample", "read", None, sample)
    else:
        lines += _packet("sample", "read", part.register, sample)
        for name, register, length in variant.more if failing else ():
            size = f", length = {length}" if length else ""
            field = f'{{ name = "{name}", type = "bytes"{size} }}'
            lines += _packet(name, "read", register, [field])
    if failing and variant.settings >= 0:
        lines += _settings(variant.settings)
    return "\n".join(lines) + "\n"


def _settings(register: int) -> list[str]:
    at = f'{{ name = "register", type = "u8", constant = {register:#04x} }}'
    return _packet("settings", "write", None, [at, '{ name = "value", type = "u8" }'])


def _packet(name: str, direction: str, register: int | None, fields: list[str]) -> list[str]:
    lines = ["  [[device.packet]]", f'  name = "{name}"', f'  direction = "{direction}"']
    if register is not None:
        lines.append(f"  register = {register:#04x}")
    return [*lines, f"  field = [{', '.join(fields)}]"]


def _rules(part: Part) -> str:
    return (
        f'[[rule]]\nkind = "stops-answering"\nname = "{part.name} answers"\n'
        f'device = "{part.name}"\nafter_polls = 5\n'
    )

"""What a packet description says about a number in a packet's fields: unit, range, and place."""

from __future__ import annotations

from collections.abc import Sequence

from decoders.packets.layout import Leaf, Number, PacketKind, Varying

Step = str | int


def number_at(kind: PacketKind, steps: Sequence[Step]) -> Number | None:
    """How the number at a path of the packet's fields is shown and judged; None where none is."""
    names = [step for step in steps if isinstance(step, str)]
    found: Sequence[Leaf | Varying] = kind.layout.fields
    leaf: Leaf | None = None
    for k, name in enumerate(names):
        field = next((each for each in found if each.name == name), None)
        if isinstance(field, Varying) and field.items is not None:
            found = field.items.leaves
            continue
        leaf = field.leaf if isinstance(field, Varying) else field
        if leaf is None:
            return None
        if rest := names[k + 1 :]:
            bits = {each.name: each.number for each in leaf.bits}
            return bits.get(rest[0]) if len(rest) == 1 else None
        return leaf.number
    return None


def occurrence(kind: PacketKind, steps: Sequence[Step]) -> int | None:
    """Which occurrence of its last name a path is, in the JSON of such a packet.

    None where the description uses the name for more than one thing, or has names that JSON writes
    otherwise: then only reading all of it tells.
    """
    names = [path.rsplit(".", 1)[-1] for path in kind.layout.paths]  # each once for what it means
    last = steps[-1] if steps else None
    if not isinstance(last, str) or names.count(last) != 1:
        return None
    if any(c in name for name in names for c in '"\\'):
        return None
    return next((step for step in steps if isinstance(step, int)), 0)

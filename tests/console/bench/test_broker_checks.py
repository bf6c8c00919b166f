"""What is wrong or odd in a message source's host, topics and password."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.bench.load import load_bench, read_bench
from decoders.errors import DescriptionError

GOOD = """
[[source]]
name = "broker"
kind = "messages"
host = "broker.capline.example"
topics = [
  "capline/#",
  { filter = "capline/caps/+", qos = 2 },
]
username = "bench"
password_env = "BROKER_PASSWORD"
tls = true
"""


@pytest.mark.parametrize(
    ("changed", "into", "message", "mend"),
    [
        (
            'host = "broker.capline.example"',
            'host = "mqtts://broker.capline.example:8883"',
            "with more than a host",
            'host = "broker.capline.example"',
        ),
        (
            'host = "broker.capline.example"',
            'host = "broker:1883"',
            "host 'broker:1883' has a port in it",
            'host = "broker" and port = 1883',
        ),
        ('host = "broker.capline.example"', 'host = ""', "no name or address", ""),
        ('host = "broker.capline.example"', 'host = "a b"', "no name or address", ""),
        ('"capline/#"', '"capline/#/x"', "# is the last level", "capline/+/level"),
        ('"capline/#"', '"$share/me/capline/#"', "is shared", "takes nothing away"),
    ],
)
def test_what_is_wrong_is_told_with_line_and_mend(
    changed: str, into: str, message: str, mend: str
) -> None:
    with pytest.raises(DescriptionError) as caught:
        load_bench(GOOD.replace(changed, into), "bench.toml")
    error = caught.value
    assert message in error.message
    assert mend in error.mend
    assert error.place is not None
    assert error.place.line == GOOD[: GOOD.index(changed)].count("\n") + 1


def test_a_password_in_the_clear_is_a_remark(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    text = "\n".join(line for line in GOOD.splitlines() if not line.startswith("tls"))
    path.write_text(text, "utf-8")
    line = text[: text.index("password_env")].count("\n") + 1
    assert [remark.split("bench.toml")[1] for remark in read_bench(path).remarks] == [
        f":{line}: the password of broker goes over the network readable by all; use tls = true"
    ]


@pytest.mark.parametrize("text", [GOOD, GOOD.replace("broker.capline.example", "localhost")])
def test_a_password_over_tls_or_within_the_machine_is_not_remarked_on(
    text: str, tmp_path: Path
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(text, "utf-8")
    assert read_bench(path).remarks == ()

from __future__ import annotations

import copy
import pickle

import pytest

from console.sources.broker_secret import Secret
from decoders.errors import DiagnosticError

SECRET = Secret("pomace")


def test_a_secret_shows_in_no_text_that_is_made_by_chance() -> None:
    error = ValueError("wrong", SECRET)
    shown = f"{SECRET} {SECRET!r} {[SECRET]} {error!r} {vars(type(SECRET)).keys()}"
    assert "pomace" not in shown
    assert repr(SECRET) == "Secret()"


def test_a_secret_is_neither_copied_nor_pickled() -> None:
    for way in (copy.copy, copy.deepcopy, pickle.dumps):
        with pytest.raises(TypeError, match="not copied or pickled"):
            way(SECRET)


def test_a_secret_is_given_when_asked_by_name() -> None:
    assert SECRET.reveal() == "pomace"


def test_a_text_is_told_without_the_secret_in_it() -> None:
    assert SECRET.hidden_in("user op, password pomace!") == "user op, password ***!"


@pytest.mark.parametrize(("environment", "state"), [({}, "is not set"), ({"P": ""}, "is empty")])
def test_a_variable_without_a_secret_is_told(environment: dict[str, str], state: str) -> None:
    with pytest.raises(DiagnosticError) as caught:
        Secret.looked_up("P", environment.get)
    assert caught.value.message == f"the environment variable P {state}"
    assert "export P=..." in caught.value.mend

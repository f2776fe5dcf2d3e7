"""Names of files made from other names: on every system one file each, and none that a system keeps for itself."""

import os
from pathlib import PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as some

from tiepoint.documents.names import each_its_own, portable

# Microsoft, "Naming Files, Paths, and Namespaces", read as a list.
RESERVED = ["CON", "PRN", "AUX", "NUL", *(f"{port}{k}" for port in ("COM", "LPT") for k in "123456789¹²³")]


@pytest.mark.parametrize("name", RESERVED)
def test_devices_of_windows_are_not_named(name):
    for typed in (name, name.lower(), f"{name}.left", f"{name}.left.right"):
        assert portable(typed) == f"_{typed}"
    assert portable(f"{name}-left") == f"{name}-left"


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("shot-0001", "shot-0001"),
        ("Prüfling ½ (neu)", "Prüfling ½ (neu)"),
        ("12:30:05", "12_30_05"),
        ('a<b>c"d|e?f*g\\h\x07', "a_b_c_d_e_f_g_h_"),
        ("end. .", "end___"),
        ("", "_"),
        ("..", "__"),
        ("caf\udce9", "caf\N{REPLACEMENT CHARACTER}"),
    ],
)
def test_what_windows_cannot_hold_is_replaced(name, safe):
    assert portable(name) == safe


def test_names_that_differ_in_case_or_coding_alone_are_told_apart():
    assert each_its_own(["shot", "Shot", "SHOT-2", "shot"]) == ["shot", "Shot-2", "SHOT-2-2", "shot-3"]
    assert each_its_own(["é", "e\u0301"]) == ["é", "e\u0301-2"]
    assert each_its_own(["a:b", "a?b", "a_b"]) == ["a_b", "a_b-2", "a_b-3"]


def is_a_name(text: str) -> bool:
    """Whether a system could have given it: bytes that are no UTF-8 come as single low surrogates."""
    try:
        return bool(os.fsencode(text))
    except UnicodeEncodeError:
        return False


@given(some.lists(some.text(max_size=300).filter(is_a_name), max_size=12))
def test_any_names_give_as_many_that_a_system_holds(names):
    own = each_its_own(names)
    assert len(own) == len(names)
    assert len({name.casefold() for name in own}) == len(names)
    for name in own:
        assert 0 < len(f"{name}.svg".encode()) <= 255
        assert PureWindowsPath(name).name == name
        assert not PureWindowsPath(name).is_absolute()
        assert not os.path.dirname(name)  # noqa: PTH120  # of this system, as text
        assert not any(ord(c) < 32 or c in '<>:"/\\|?*' for c in name)
        assert not name.endswith((".", " "))

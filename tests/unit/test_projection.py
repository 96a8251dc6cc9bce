"""A projection: values with their basis, stale by a rule."""

import operator

from tareline.app.projections.projection import Projection


def test_what_was_never_worked_out_is_stale_and_has_no_value() -> None:
    kept = Projection[str, int, str]()
    assert kept.is_stale("shelf", 0)
    assert kept.value("shelf") is None
    assert kept.values() == {}


def test_it_is_stale_once_its_basis_is_another() -> None:
    kept = Projection[str, int, str]()
    assert kept.put("shelf", 7, "as of 7") == "as of 7"
    assert kept.value("shelf") == "as of 7"
    assert not kept.is_stale("shelf", 7)
    assert kept.is_stale("shelf", 8)
    assert kept.is_stale("sill", 7)
    kept.put("shelf", 8, "as of 8")
    assert (kept.value("shelf"), kept.is_stale("shelf", 8)) == ("as of 8", False)


def test_a_rule_of_its_own_says_when_it_is_stale() -> None:
    kept = Projection[str, int, str](stale=operator.lt)
    kept.put("feeder", 7, "as of 7")
    assert [kept.is_stale("feeder", newest) for newest in (6, 7, 8)] == [False, False, True]


def test_who_goes_through_the_values_is_not_disturbed_by_a_new_one() -> None:
    kept = Projection[str, int, str]()
    kept.put("shelf", 1, "one")
    found = []
    for name in kept.values():
        kept.put(f"beside {name}", 1, "two")
        found.append(name)
    assert found == ["shelf"]
    assert kept.values() == {"shelf": "one", "beside shelf": "two"}
    assert len(kept) == 2


def test_nothing_worked_out_is_a_value_too() -> None:
    """An empty tank has no load: that is known, and not worked out again."""
    kept = Projection[str, int, str | None]()
    kept.put("shelf", 1, None)
    assert not kept.is_stale("shelf", 1)

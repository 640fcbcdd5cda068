"""A copy of an error is its own, also where a library that pickles errors is loaded after them."""

from copy import copy

import distributed  # noqa: F401  it teaches `copy` to share what an error holds
import pytest

import pipemetal.errors as errors

KINDS = [
    k
    for k in vars(errors).values()
    if isinstance(k, type) and issubclass(k, errors.InputError) and k is not errors.NotInBookError
]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_a_copy_of_an_error_shares_nothing(kind: type[errors.InputError]) -> None:
    error = kind("is out of range", field="gate_mm", value=33.0, limits=(0.3, 20.0, "mm"), where="row 3")
    other = copy(error)
    other.field, other.where = "", ""
    assert error.field == "gate_mm" and error.where == "row 3" and type(other) is kind
    placed = error.at("log.csv")
    assert str(placed).startswith("log.csv, row 3") and error.where == "row 3"


def test_nor_does_one_of_what_is_not_in_the_book() -> None:
    error = errors.NotInBookError(field="lot", value="S1")
    copy(error).field = ""
    assert error.field == "lot"

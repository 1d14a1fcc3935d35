"""What `config` says it exports is what it exports."""

from __future__ import annotations

from types import ModuleType

import config
from config.files import errors as error_tree
from config.household import household_file


def test_all_is_true() -> None:
    """`__all__` names everything public, and nothing that is not there."""
    public = {
        name
        for name, value in vars(config).items()
        if not name.startswith("_") and not isinstance(value, ModuleType) and name != "annotations"
    }
    assert public == set(config.__all__)


def test_every_model_and_error_is_exported() -> None:
    """The models of the household file and all errors can be imported from `config` itself."""
    errors = {
        name
        for name, value in vars(error_tree).items()
        if isinstance(value, type) and issubclass(value, config.LullwattError)
    }
    assert errors <= set(config.__all__)
    assert set(household_file.__all__) <= set(config.__all__)

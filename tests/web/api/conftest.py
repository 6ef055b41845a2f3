from __future__ import annotations

import pytest

from tests.portal.house import LAB, OTHER, House, open_house
from tests.web.api.program import Program


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    return open_house(tmp_path_factory.mktemp("house"), max_record_bytes=2_000_000)


@pytest.fixture(scope="module")
def clinic(house: House) -> Program:
    return Program(house)


@pytest.fixture(scope="module")
def other(house: House) -> Program:
    return Program(house, OTHER)


@pytest.fixture(scope="module")
def lab(house: House) -> Program:
    return Program(house, LAB)


@pytest.fixture
def case(clinic: Program) -> str:
    """The address of a new case."""
    return clinic.open()

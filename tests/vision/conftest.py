"""What is made once for all tests of the vision: the reading of a small film of one kick."""

import pytest

from tests.vision.kick_film import Film, film_of_a_kick


@pytest.fixture(scope="session")
def kick_film(tmp_path_factory: pytest.TempPathFactory) -> Film:
    """One kick at a ball over the corner, as it was rendered and as it is read."""
    return film_of_a_kick(tmp_path_factory.mktemp("films") / "kick.mp4")

"""What is made once for all tests of the vision: the reading of a small film of one kick."""

import pytest

from tests.vision.one_kick import Film, film_kick, read_kick


@pytest.fixture(scope="session")
def kick_film(tmp_path_factory: pytest.TempPathFactory) -> Film:
    """One kick at a ball over the corner, as it was rendered and as it is read."""
    path = tmp_path_factory.mktemp("films") / "kick.mp4"
    return Film(path, film_kick(path), read_kick(path))

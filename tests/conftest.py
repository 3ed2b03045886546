"""What is made once for all tests: the reading of the sample clip, which takes a while."""

import pytest

from tests.known_clips import KnownClip, sample_clip
from vision.read import read_clip
from vision.reading import Reading


@pytest.fixture(scope="session")
def known_sample() -> KnownClip:
    """The sample clip and its truth."""
    return sample_clip()


@pytest.fixture(scope="session")
def sample_reading(known_sample: KnownClip) -> Reading:
    """The sample clip read as a user would have it read: the camera and the table's size found from the film."""
    return read_clip(known_sample.path, known_sample.shot)

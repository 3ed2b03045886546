"""The developers' guide leads to every file of the reading."""

from pathlib import Path

import vision

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


def test_every_module_is_named_in_the_guide() -> None:
    told = GUIDE.read_text(encoding="utf-8")
    modules = [path.name for path in Path(vision.__path__[0]).rglob("*.py") if path.name != "__init__.py"]
    assert len(modules) > 50
    assert [name for name in modules if f"{name}`" not in told] == []

"""Every setting in one table: its name in the environment, its default and one line of help."""

from dataclasses import dataclass
from pathlib import Path

from platformdirs import user_data_path
from pydantic import Field, ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict

from calibration.errors import InputError

PREFIX = "RAILPOINT_"
DATABASE_FILE = "railpoint.sqlite3"
MARKS_FILE = "marks.toml"
ROOM_FILE = "room.toml"


class Settings(BaseSettings):
    """Read from the environment. A field without a description would be missing from the README: a test looks."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, extra="ignore")

    data_dir: Path = Field(
        default_factory=lambda: user_data_path("railpoint", appauthor=False),
        description="Folder that holds the database and whatever else the program keeps.",
    )
    database_url: str = Field(
        default="",
        description="Any SQLAlchemy URL in place of the SQLite file railpoint.sqlite3 in the data folder.",
    )
    database_wait_s: float = Field(
        default=10.0, gt=0, le=600, description="How long to wait, in seconds, for another program to finish writing."
    )
    host: str = Field(default="127.0.0.1", description="Address that 'railpoint serve' listens on.")
    port: int = Field(
        default=8348, ge=0, le=65535, description="Port that 'railpoint serve' listens on; 0 takes a free one."
    )
    allowed_hosts: str = Field(
        default="localhost,127.0.0.1,[::1]",
        description="Names under which the pages may be asked for, with commas between; * allows any.",
    )

    @property
    def url(self) -> str:
        return self.database_url or f"sqlite:///{self.data_dir / DATABASE_FILE}"

    @property
    def marks_file(self) -> Path:
        """The older file of marks alone: places one could aim at, a line a mark."""
        return self.data_dir / MARKS_FILE

    @property
    def room_file(self) -> Path:
        """Where the room is stated: its walls and marks."""
        return self.data_dir / ROOM_FILE

    @property
    def hosts(self) -> tuple[str, ...]:
        """The allowed names; the address listened on is one of them unless it stands for every address."""
        named = [name.strip().lower() for name in self.allowed_hosts.split(",") if name.strip()]
        own = [] if self.host in ("0.0.0.0", "::", "") else [self.host.lower()]
        return tuple(dict.fromkeys(named + own))


@dataclass(frozen=True)
class SettingLine:
    """One line of the table of settings."""

    name: str
    value: str
    default: str
    help: str


def load_settings() -> Settings:
    """Raises InputError, naming the setting, for a value that cannot be used."""
    try:
        return Settings()
    except ValidationError as error:
        first = error.errors()[0]
        name = PREFIX + str(first["loc"][0]).upper()
        reason = str(first["msg"])
        raise InputError(
            f"setting {name} is {first['input']!r}: {reason[0].lower()}{reason[1:]}; see 'railpoint settings'."
        ) from error


def settings_table(settings: Settings) -> list[SettingLine]:
    lines = []
    for field, info in Settings.model_fields.items():
        default = info.get_default(call_default_factory=True, validated_data={})
        lines.append(
            SettingLine(
                name=PREFIX + field.upper(),
                value=str(getattr(settings, field)),
                default=str(default),
                help=info.description or "",
            )
        )
    return lines

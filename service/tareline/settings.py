"""Settings: `tareline.toml` and the environment, which wins (`TARELINE_BROKER__URL`)."""

import ipaddress
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, SettingsError

from tareline.errors import FieldError, first_problem
from tareline.mqtt.link import Address


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid")


def _told(description: str) -> Any:
    """A key with its description, from which the reference of the settings is made."""
    return Field(description=description)


class Broker(_Section):
    """The MQTT broker."""

    url: Annotated[
        str, _told("its address; mqtts:// for TLS; with user name and password if the broker requires them")
    ] = "mqtt://127.0.0.1:1883"
    root: Annotated[str, Field(pattern=r"^[^/+#\s]([^+#\s]*[^/+#\s])?$"), _told("the first part of every topic")] = (
        "tareline"
    )

    @field_validator("url")
    @classmethod
    def _address(cls, url: str) -> str:
        Address.parse(url)
        return url


class StoreSettings(_Section):
    """The store of the ledger and the register."""

    url: Annotated[str, _told("the SQLite database, as an SQLAlchemy URL")] = "sqlite:///tareline.db"


class Series(_Section):
    """The store of what probes send."""

    url: Annotated[str, Field(pattern="^$"), _told("must be empty: the samples are stored in the same database")] = ""


class Http(_Section):
    """Pages and API."""

    listen: Annotated[str, _told("host and port; without a token only a loopback address is allowed")] = (
        "127.0.0.1:8620"
    )
    token: Annotated[str, _told("token that callers must send; empty: no token is required")] = ""

    @property
    def host(self) -> str:
        return self.listen.rpartition(":")[0].strip("[]")

    @property
    def port(self) -> int:
        return int(self.listen.rpartition(":")[2])

    @model_validator(mode="after")
    def _guarded(self) -> "Http":
        host, colon, port = self.listen.rpartition(":")
        if not colon or not host or not port.isdigit() or not 0 <= int(port) < 65536:
            raise ValueError(f'listen: expected "HOST:PORT"; found {self.listen!r}')
        if not self.token and not _loopback(self.host):
            raise ValueError(f"listen: expected a loopback address while no token is set; found {self.listen!r}")
        return self


def _time(value: str) -> str:
    if value and not _TIME.fullmatch(value):
        raise ValueError('expected a time like "09:00", or nothing')
    return value


def _webhook(value: str) -> str:
    try:
        parts = urlsplit(value)
        sound = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        sound = False
    if not sound:
        raise ValueError('expected an address like "https://host/path"')
    return value


_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
Time = Annotated[str, AfterValidator(_time)]


class Notify(_Section):
    """Who receives alerts, and when. Addresses may contain passwords, so no message repeats them."""

    urls: Annotated[list[str], _told("Apprise URLs that receive every alert")] = []
    webhooks: Annotated[
        list[Annotated[str, AfterValidator(_webhook)]],
        _told("URLs of programs that receive every alert as a POST of a JSON object"),
    ] = []
    secret: Annotated[str, _told("secret with which messages to programs are signed; empty: they are not signed")] = ""
    quiet: Annotated[str, _told("hours in which only urgent alerts are sent, such as 22:00-07:00; empty: none")] = ""
    sign_of_life: Annotated[
        str,
        _told(
            "an address that receives a message once a day while all is well; http:// and https:// are webhooks; "
            "empty: none"
        ),
    ] = ""
    sign_of_life_at: Annotated[Time, Field(min_length=1), _told("when it is sent, in the first tank's local time")] = (
        "09:00"
    )
    morning: Annotated[Time, _told("when the due list of each tank is sent, in its local time; empty: never")] = ""
    others: Annotated[
        dict[str, list[str]],
        _told(
            "for each name, the addresses that receive the alerts instead during an absence that states this name; "
            "http:// and https:// are webhooks"
        ),
    ] = {}

    @field_validator("quiet")
    @classmethod
    def _hours(cls, quiet: str) -> str:
        start, _, end = quiet.partition("-")
        if quiet and (not _TIME.fullmatch(start) or not _TIME.fullmatch(end) or start == end):
            raise ValueError('expected two times of day like "22:00-07:00", or nothing')
        return quiet


class Updates(_Section):
    """Updates over the network: the secret with which they are signed."""

    secret_file: Annotated[
        str,
        Field(min_length=1),
        _told("file of the secret; created when it is first needed; only the user of the service may read it"),
    ] = "tareline.key"


class Show(_Section):
    """The units that pages show, and that forms offer first."""

    volume: Annotated[Literal["L", "US gal"], _told("unit of the volumes of tanks and water changes")] = "L"
    temperature: Annotated[Literal["degC", "degF"], _told("unit of water temperatures")] = "degC"


def _loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Settings(BaseSettings):
    """Everything that can be set, with its defaults."""

    model_config = SettingsConfigDict(env_prefix="TARELINE_", env_nested_delimiter="__", extra="ignore")

    broker: Broker = Broker()
    store: StoreSettings = StoreSettings()
    series: Series = Series()
    http: Http = Http()
    notify: Notify = Notify()
    show: Show = Show()
    updates: Updates = Updates()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],  # noqa: ARG003 - these are given by name
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment before what was read from the file (which comes in as arguments)."""
        return env_settings, init_settings


def load(path: Path, must_exist: bool) -> Settings:
    """Settings from a file and the environment. Raises FieldError naming the key."""
    given: dict[str, Any] = {}
    if path.exists() or must_exist:
        try:
            given = tomllib.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise FieldError("--config", f"{path} cannot be read: {error.strerror}") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise FieldError("--config", f"{path} is not TOML: {error}") from error
    unknown = set(given) - set(Settings.model_fields)
    if unknown:
        known = ", ".join(Settings.model_fields)
        raise FieldError(sorted(unknown)[0], f"not a section of the settings; expected one of {known}")
    try:
        return Settings(**given)
    except ValidationError as error:
        raise FieldError(*first_problem(error.errors(include_url=False)[0])) from error
    except SettingsError as error:
        raise FieldError("environment", f"{error}; lists and sections are given as JSON") from error

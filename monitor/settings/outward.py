"""The keys of all ways out of the board: broker, people, history, signs of life."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, SecretStr, model_validator

from monitor.settings.base import Section, key

CLOCK = r"^(([01]\d|2[0-3]):[0-5]\d)?$"
"""A time of the day such as 07:30, or nothing."""


class TlsSettings(Section):
    """Encryption towards the broker."""

    enabled: bool = key("Encrypt the connection", default=False)
    ca_file: str = key("Certificate authority, empty for the system's own", default="")
    cert_file: str = key("This site's own certificate, empty for none", default="")
    key_file: str = key("Key of this site's certificate", default="")


class HomieSettings(Section):
    """Homie 5, an open convention: home automation that knows it finds the filters by itself."""

    enabled: bool = key("Show the site as a Homie device", default=False)
    root: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+$")] = key(
        "First level of its topics; controllers look at every root unless told otherwise",
        default="homie",
    )


class DiscoverySettings(Section):
    """Discovery messages of Home Assistant: it then finds the filters by itself."""

    enabled: bool = key("Announce every filter to Home Assistant", default=False)
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")] = key(
        "Discovery prefix, as it is set in Home Assistant", default="homeassistant"
    )


class MqttSettings(Section):
    """The MQTT broker; leave the whole table out to keep everything in the journal only."""

    host: str = key(
        "Name or address of the broker", min_length=1, max_length=253, example="localhost"
    )
    port: int | None = key(
        "Port; unset means 1883, or 8883 with TLS", sample=1883, default=None, ge=1, le=65535
    )
    version: Literal["5", "3.1.1"] = key(
        "MQTT version; with 3.1.1 a refusal by the broker cannot be seen", default="5"
    )
    username: str = key("User name at the broker, empty for none", default="")
    password: SecretStr | None = key(
        "Password; better kept in password_file",
        sample="not a good place",
        min_length=1,
        default=None,
    )
    password_file: str = key("File whose first line is the password", default="")
    client_id: str = key(
        "Client id; empty makes one from the site and this machine", default="", max_length=64
    )
    topic_root: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")] = key(
        "First level of every topic", default="canister"
    )
    keepalive_s: int = key("Keep-alive interval", "s", default=30, ge=5, le=3600)
    commands: bool = key(
        "Obey commands that come over the broker; who may send them is the broker's access rules",
        default=True,
    )
    heartbeat_s: float = key(
        "How often a sign of life is published; gone for three times as long, nobody watches",
        "s", default=60.0, ge=10, le=3600,
    )  # fmt: skip
    state_every_s: float = key(
        "How often each filter's state is published when nothing else happens",
        "s", default=10.0, ge=1, le=3600,
    )  # fmt: skip
    tls: TlsSettings = key("Encryption", default_factory=TlsSettings)
    homie: HomieSettings = key("Homie", default_factory=HomieSettings)
    discovery: DiscoverySettings = key("Home Assistant", default_factory=DiscoverySettings)


class NotifySettings(Section):
    """Messages to people: mail, push, chat; needs the extra `notify`."""

    addresses_file: str = key(
        "File with one address a line, as apprise has them; it holds secrets; empty: nobody is told",
        sample="/etc/canister-monitor/addresses", default="",
    )  # fmt: skip
    second_file: str = key(
        "The same for the second channel, told when nobody acknowledges; empty: the first again",
        default="",
    )
    quiet_from: Annotated[str, Field(pattern=CLOCK)] = key(
        "Quiet hours of the board's time zone: what can wait, waits; empty for none",
        sample="22:00", default="",
    )  # fmt: skip
    quiet_to: Annotated[str, Field(pattern=CLOCK)] = key("... until", sample="07:00", default="")

    @model_validator(mode="after")
    def _both(self) -> NotifySettings:
        if bool(self.quiet_from) is not bool(self.quiet_to):
            raise ValueError("quiet_from and quiet_to go together")
        return self


class InfluxSettings(Section):
    """History to a time-series server: InfluxDB 2 and 3, 1.8, VictoriaMetrics; needs the extra `influx`."""

    url: Annotated[str, Field(pattern=r"^(https?://[^\s@?#]+)?$")] = key(
        "Address of the server, without a name or password in it; empty: no history goes out",
        sample="http://localhost:8086", default="",
    )  # fmt: skip
    kind: Literal["influxdb", "victoriametrics"] = key(
        "VictoriaMetrics keeps numbers only, so it is sent no texts", default="influxdb"
    )
    org: str = key("Organisation; InfluxDB 2 wants one", default="", max_length=200)
    bucket: str = key(
        "Bucket; on InfluxDB 1.8 database/retention policy", default="canister",
        min_length=1, max_length=200,
    )  # fmt: skip
    token_file: str = key(
        "File whose first line is the token, on InfluxDB 1.8 user:password; empty for none",
        sample="/etc/canister-monitor/influx-token", default="",
    )  # fmt: skip
    ca_file: str = key("Certificate authority, empty for the system's own", default="")
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_]*$")] = key(
        "What the names of measurements begin with: PREFIX_sample, PREFIX_event",
        default="canister", max_length=40,
    )  # fmt: skip


class SignsSettings(Section):
    """Signs of life, so that silence is noticed."""

    daily_at: Annotated[str, Field(pattern=CLOCK)] = key(
        "A daily word with the figures that matter, in the board's time zone; empty for none",
        sample="09:00", default="",
    )  # fmt: skip
    ping_url: SecretStr | None = key(
        "Address that is asked as long as all goes on; whoever keeps it tells when that ceases",
        sample="https://example.org/invented", min_length=8, default=None,
    )  # fmt: skip
    ping_every_min: float = key("... so often", "min", default=5.0, ge=1, le=1440)

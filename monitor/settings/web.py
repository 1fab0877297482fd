"""The keys of the local web page, and of a fleet's board page."""

from __future__ import annotations

from pydantic import model_validator

from monitor.settings.base import Section, key


class PageSettings(Section):
    """The local web page, for a person at the tank with a phone; needs the extra `page`."""

    host: str = key(
        "Address it listens on; other than 127.0.0.1 others in the network see it, then give it a "
        "certificate", default="127.0.0.1", min_length=1, max_length=253,
    )  # fmt: skip
    port: int = key("Port", default=8440, ge=1, le=65535)
    password_file: str = key(
        "File with the hash of the password; `canister page-password` writes it",
        default="/var/lib/canister-page/password",
    )
    cert_file: str = key("TLS certificate, with what leads to its authority", default="")
    key_file: str = key("Key of the certificate", default="")
    login_days: float = key("A log-in ends after this", "days", default=30.0, ge=0.04, le=365)

    @model_validator(mode="after")
    def _pair(self) -> PageSettings:
        if bool(self.cert_file) is not bool(self.key_file):
            raise ValueError("cert_file and key_file go together")
        return self


class BoardPageSettings(Section):
    """The board page of a fleet, for everybody whom the books know; needs the extra `page`."""

    host: str = key(
        "Address it listens on; other than 127.0.0.1 others in the network see it, then give it a "
        "certificate", default="127.0.0.1", min_length=1, max_length=253,
    )  # fmt: skip
    port: int = key("Port", default=8450, ge=1, le=65535)
    cert_file: str = key("TLS certificate, with what leads to its authority", default="")
    key_file: str = key("Key of the certificate", default="")
    login_hours: float = key("A log-in ends after this", "h", default=12.0, ge=0.25, le=720)
    every_s: float = key(
        "The picture of all sites is made anew this often", "s", default=5.0, ge=1, le=300
    )

    @model_validator(mode="after")
    def _pair(self) -> BoardPageSettings:
        if bool(self.cert_file) is not bool(self.key_file):
            raise ValueError("cert_file and key_file go together")
        return self

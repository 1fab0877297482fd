"""An invented site whose page is served beside a daemon on the rig."""

from __future__ import annotations

from pathlib import Path

from monitor.page.password import keep, made
from tests.conftest import Command, free_port, until

PASSWORD = "correct horse battery staple"


class PagedSite:
    """An invented site: its configuration, the daemon and the page as child processes."""

    def __init__(
        self, folder: Path, canister: type[Command], rig: str = "", more: str = ""
    ) -> None:
        self.folder, self.canister = folder, canister
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self.file = folder / "canister.toml"
        self.file.write_text(
            f"""
[site]
id = "cellar"
name = "Cellar (invented)"
source = "rig"
[rig]
{rig}
[storage]
folder = "{folder}/state"
live_file = "{folder}/live.json"
commit_every_s = 2
[page]
port = {self.port}
password_file = "{folder}/own/password"
[filters.left]
name = "Left tank (invented)"
flow_sensor = {{ pin = 17, bore_mm = 16 }}
probe = {{ rom_id = "28-0123456789ab" }}
pump = {{ rated_flow_l_per_h = 1000, max_head_m = 1.5 }}
tank = {{ volume_l = 180, temperature_c = 25, min_c = 23, max_c = 27 }}
limits = {{ flow_stopped_hold_s = 2, clear_hold_s = 2 }}
[filters.left.hoses.both]
bore_mm = 16
length_m = 3
{more}
""",
            encoding="utf-8",
        )
        keep(folder / "own" / "password", made(PASSWORD))
        self.daemon: Command | None = None
        self.page: Command | None = None

    def start_daemon(self) -> Command:
        self.daemon = self.canister("run", "--config", str(self.file))
        assert until(lambda: "watching left" in self.daemon.errors, 30), self.daemon.errors
        return self.daemon

    def start_page(self) -> Command:
        self.page = self.canister("page", "--config", str(self.file))
        assert until(lambda: "page: http" in self.page.errors, 30), self.page.errors
        return self.page

"""JupyterLab on a working copy, started by our own command, and a real browser that looks at it.

Screenshots go to the folder named by ``EVENBEAT_SCREENSHOTS``, or to a temporary one.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil
import pytest

TOKEN = "looked-at"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SETTINGS = {
    # no news pop-up; the theme that the browser asks for; every cell really in the page, out of sight too
    "@jupyterlab/apputils-extension/notification.jupyterlab-settings": {
        "fetchNews": "false",
        "checkForUpdates": False,
    },
    "@jupyterlab/apputils-extension/themes.jupyterlab-settings": {"adaptive-theme": True},
    "@jupyterlab/notebook-extension/tracker.jupyterlab-settings": {"windowingMode": "none"},
}


@dataclass(frozen=True, kw_only=True)
class Lab:
    """A running JupyterLab."""

    port: int
    folder: Path
    process: psutil.Process

    def address(self, notebook: str) -> str:
        """Return the address at which a notebook is opened."""
        return f"http://127.0.0.1:{self.port}/lab/tree/{notebook}?token={TOKEN}&reset"

    def kernels_s(self) -> float:
        """Return the processor seconds that its kernels have used, on a busy machine as on an idle one."""
        return sum(used.user + used.system for used in (each.cpu_times() for each in self.process.children()))


@pytest.fixture(scope="session")
def screenshots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder for pictures of what the browser showed."""
    stated = os.environ.get("EVENBEAT_SCREENSHOTS")
    folder = Path(stated) if stated else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """Start ``evenbeat notebooks`` with settings of its own and stop it in the end."""
    home = tmp_path_factory.mktemp("lab")
    for name, value in SETTINGS.items():
        path = home / "settings" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(value))
    places = {
        "JUPYTERLAB_SETTINGS_DIR": "settings",
        "JUPYTERLAB_WORKSPACES_DIR": "workspaces",
        "JUPYTER_CONFIG_DIR": "config",
        "JUPYTER_RUNTIME_DIR": "runtime",
        "JUPYTER_DATA_DIR": "data",
        "IPYTHONDIR": "ipython",
        "MPLCONFIGDIR": "matplotlib",
    }
    environment = {**os.environ, **{name: str(home / place) for name, place in places.items()}}
    environment.pop("MPLBACKEND", None)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "evenbeat", "notebooks", str(home / "work"), "--no-browser"]
    command += ["--allow-root", "--port", str(port)]
    command += [
        f"--lab-option={option}"
        for option in (
            "--ServerApp.port_retries=0",
            f"--IdentityProvider.token={TOKEN}",
            "--LabApp.extension_manager=readonly",
        )
    ]
    log = home / "lab.log"
    with log.open("wb") as out:
        process = subprocess.Popen(command, env=environment, stdout=out, stderr=subprocess.STDOUT)
    try:
        _wait_for(port, process, log)
        yield Lab(port=port, folder=home / "work", process=psutil.Process(process.pid))
    finally:
        process.terminate()
        process.wait(30)


def _wait_for(port: int, process: subprocess.Popen[bytes], log: Path) -> None:
    started = time.monotonic()
    while True:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/api?token={TOKEN}", timeout=2):
                return
        except OSError:
            if process.poll() is not None or time.monotonic() - started > 120:
                pytest.fail(f"JupyterLab did not start:\n{log.read_text(errors='replace')}")
            time.sleep(0.2)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """Start the browser that this machine has."""
    from playwright.sync_api import sync_playwright

    program = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.fail("there is no Chromium here; install it (apt-get install chromium) or name it in CHROMIUM")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield browser
        browser.close()

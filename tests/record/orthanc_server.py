"""A real DICOM server (Orthanc, Debian's package) for the tests, on loopback, its store in a temporary folder."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest


@contextmanager
def orthanc_at(folder: Path, settings: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Start it with these settings besides its own; gives its DICOM and its web address. Skips where there is none."""
    tool = shutil.which("Orthanc")
    if tool is None:
        pytest.skip("Orthanc is not installed (Debian: orthanc)")
    ports = []
    for _ in range(2):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            ports.append(free.getsockname()[1])
    (folder / "orthanc.json").write_text(
        json.dumps(
            {
                "StorageDirectory": str(folder / "store"),
                "IndexDirectory": str(folder / "store"),
                "HttpPort": ports[0],
                "DicomPort": ports[1],
                "DicomAet": "ORTHANC",
                "RemoteAccessAllowed": False,
                "AuthenticationEnabled": False,
                **settings,
            }
        )
    )
    with (folder / "orthanc.log").open("wb") as log:
        server = subprocess.Popen([tool, str(folder / "orthanc.json")], stdout=log, stderr=log)
        web = f"http://127.0.0.1:{ports[0]}"
        try:
            for _ in range(600):
                if server.poll() is not None:
                    pytest.fail((folder / "orthanc.log").read_text(errors="replace")[-2000:])
                try:
                    with urllib.request.urlopen(f"{web}/system", timeout=10):
                        break
                except OSError:
                    try:  # wait for the process, not for the clock: it ends only when it fails
                        server.wait(0.1)
                    except subprocess.TimeoutExpired:
                        continue
            else:
                pytest.fail("Orthanc did not begin to answer")
            yield f"127.0.0.1:{ports[1]}", web
        finally:
            server.terminate()
            server.wait()

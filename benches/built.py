"""What the measuring scripts run, built by cargo."""

import json
import subprocess
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent


def built(*arguments):
    """Builds with these arguments of `cargo build`; paths of the programs by their names."""
    command = ["cargo", "build", "--release", *arguments, "--message-format=json"]
    lines = subprocess.run(command, cwd=PROJECT, check=True, stdout=subprocess.PIPE).stdout
    found = {}
    for line in lines.decode().splitlines():
        message = json.loads(line)
        # A package's program and its unit tests have the same name.
        if message.get("executable") and not (
            message["profile"]["test"] and message["target"]["kind"] == ["bin"]
        ):
            found[message["target"]["name"]] = Path(message["executable"])
    return found

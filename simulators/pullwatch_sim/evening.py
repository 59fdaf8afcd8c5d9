"""A program: write the invented car's setup and DBC file into a folder, with the ports the simulators listen on.

python -m pullwatch_sim.evening --into /tmp/evening --can socket://127.0.0.1:47901 --wideband socket://127.0.0.1:47902
"""

from __future__ import annotations

import argparse
from pathlib import Path

HERE = Path(__file__).parent
PORTS = {"can": "socket://127.0.0.1:47901", "wideband": "socket://127.0.0.1:47902"}
"""The ports that stand in the setup as it is kept here."""


def write(into: Path, can: str, wideband: str) -> Path:
    """Write both files into folder `into` and return the path of the setup file."""
    into.mkdir(parents=True, exist_ok=True)
    text = (HERE / "demo_setup.toml").read_text(encoding="utf-8")
    for port, other in ((PORTS["can"], can), (PORTS["wideband"], wideband)):
        assert text.count(port) == 1, f"demo_setup.toml must name {port} once"
        text = text.replace(port, other)
    setup = into / "copper_hatch.toml"
    setup.write_text(text, encoding="utf-8")
    (into / "copper_hatch.dbc").write_bytes((HERE / "copper_hatch.dbc").read_bytes())
    return setup


def main() -> None:
    """Run as a program."""
    parser = argparse.ArgumentParser(prog="pullwatch_sim.evening", description=__doc__)
    parser.add_argument("--into", type=Path, required=True)
    parser.add_argument("--can", default=PORTS["can"])
    parser.add_argument("--wideband", default=PORTS["wideband"])
    arguments = parser.parse_args()
    print(write(arguments.into, arguments.can, arguments.wideband))


if __name__ == "__main__":
    main()

"""Where the vendor's chip descriptions are: in the two crates of Cargo.toml, as cargo has fetched them."""
import json
import pathlib
import subprocess

HERE = pathlib.Path(__file__).resolve().parent
# Descriptions of our own, for parts that no crate describes.
OWN = "tests/outside/descriptions/own"
CRATES = ("avr-device", "avr-mcu")


def folders():
    """The folder of each crate, the one to believe first first. Fails where cargo has not fetched them."""
    command = ["cargo", "metadata", "--offline", "--format-version", "1", "--manifest-path", str(HERE / "Cargo.toml")]
    found = subprocess.run(command, capture_output=True, text=True)
    if found.returncode:
        raise SystemExit(f"the chip descriptions are not here; run `cargo fetch` in {HERE}\n{found.stderr}")
    packages = {package["name"]: package for package in json.loads(found.stdout)["packages"]}
    return [(f"{name} {packages[name]['version']}", pathlib.Path(packages[name]["manifest_path"]).parent) for name in CRATES]


def descriptions():
    """`{part in lower case: [(crate, path inside it, path)]}`, the description to believe first first."""
    found = {}
    for crate, folder in folders():
        for path in sorted(folder.rglob("*.atdf")):
            found.setdefault(path.stem.lower(), []).append((crate, path.relative_to(folder), path))
    return found

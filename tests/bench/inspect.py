#!/usr/bin/env python3
"""CPU time and memory of `farrier inspect` on 8 MiB of Intel HEX, side by side with objcopy on the same file.

    python3 tests/bench/inspect.py [--runs N] [--program 'COMMAND ...']

Builds the release program, unless --program gives a command that the file's name is appended to. Makes two files of random
bytes: one that holds 8 MiB and one that is 8 MiB long. Runs `farrier inspect FILE` and `objcopy -I ihex -O binary FILE` in
turn and prints for each the median CPU time (user + system) and the largest resident memory, as the kernel counts them for
the finished process, and the ratio of the CPU times. Exits with 1 if the ratio is above 2.00 or the memory 64 MiB or more.
"""
import argparse
import os
import pathlib
import random
import shlex
import statistics
import subprocess
import sys
import tempfile

RATIO_MAX = 2.00
MEMORY_MAX_KIB = 64 * 1024
MIB = 1 << 20
ROOT = pathlib.Path(__file__).resolve().parents[2]


def measure(command):
    """CPU seconds and peak memory in KiB of one run."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit(f"{shlex.join(command)}: exit code {process.returncode}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss


def make(folder, name, size):
    binary, path = folder / f"{name}.bin", folder / f"{name}.hex"
    numbers = random.Random(8)
    with binary.open("wb") as file:
        # Little by little: a child's peak memory counts from what this process had when it was started.
        for start in range(0, size, 4096):
            file.write(numbers.randbytes(min(4096, size - start)))
    subprocess.run(["objcopy", "-I", "binary", "-O", "ihex", binary, path], check=True)
    return path


def side_by_side(program, path, folder, runs):
    """Prints a row of the table; whether it is within the limits."""
    ours, theirs = [], []
    for _ in range(runs):
        ours.append(measure([*program, str(path)]))
        theirs.append(measure(["objcopy", "-I", "ihex", "-O", "binary", str(path), str(folder / "out.bin")]))
    cpu, reference = (statistics.median(run[0] for run in those) for those in (ours, theirs))
    memory, reference_memory = (max(run[1] for run in those) for those in (ours, theirs))
    print(
        f"{path.name:<14} {path.stat().st_size:>10} {cpu * 1000:>10.1f} {reference * 1000:>12.1f} {cpu / reference:>7.2f}"
        f" {memory / 1024:>11.1f} {reference_memory / 1024:>13.1f}"
    )
    return cpu / reference <= RATIO_MAX and memory < MEMORY_MAX_KIB


def main():
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--runs", type=int, default=9)
    options.add_argument("--program")
    options = options.parse_args()
    if options.program is None:
        subprocess.run(["cargo", "build", "--quiet", "--release"], cwd=ROOT, check=True)
        target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
        program = [str(target / "release/farrier"), "inspect"]
    else:
        program = shlex.split(options.program)
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        # 45 characters hold 16 bytes, with objcopy's CRLF.
        files = [make(folder, "8-mib-held", 8 * MIB), make(folder, "8-mib-long", 8 * MIB * 16 // 45)]
        print("file                bytes  inspect ms   objcopy ms   ratio  inspect MiB   objcopy MiB")
        within = [side_by_side(program, path, folder, options.runs) for path in files]
    print(f"limits: ratio {RATIO_MAX:.2f}, memory {MEMORY_MAX_KIB // 1024} MiB: {'kept' if all(within) else 'EXCEEDED'}")
    sys.exit(0 if all(within) else 1)


main()

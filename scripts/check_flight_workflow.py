#!/usr/bin/env python3
"""Runs scripts/flight.smk on a few small simulated stacks and looks at what it gives: the verdicts
are those of `stackworthy check`, a broken frame ends nothing, and a second run makes only what is
missing or older than its frames.

Needs snakemake: pip install snakemake
Usage: check_flight_workflow.py STACKWORTHY
"""

import json
import math
import subprocess
import sys
import tempfile
from pathlib import Path

WORKFLOW = Path(__file__).resolve().parent / "flight.smk"
SCENE = """
name = "f"
seed = {seed}
[optics]
aperture_m = 0.6
wavelength_nm = 600
obstruction = 0.3
[motion]
jitter_mas = 60
[stars]
per_frame = 60
flux_electrons = [2e4, 4e5]
sky_electrons = 60
[detector]
width = 300
height = 300
[sequence]
exposures = 6
wcs = true
dither_rms_pixels = 4
"""
BAD = """
[[sequence.change]]
what = "jitter-mas2"
exposures = [3]
by = 3000
"""


def run(*command):
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True)
    return done.returncode, done.stdout + done.stderr


def workflow(stackworthy, here, *more):
    config = [f"frames={here / 'night'}", f"out={here / 'out'}", f"program={stackworthy}"]
    code, text = run(
        sys.executable, "-m", "snakemake", "-s", WORKFLOW, "--cores", "2", "--directory", here, *more,
        "--config", *config,
    )
    if code:
        sys.exit(f"the workflow failed with {code}:\n{text}")
    return text


def verdict(path):
    found = json.loads((path / "verdict.json").read_text())
    found["tool"] = None
    return found


def alike(a, b):
    """Equal, but for the last digits that positions lose on their way through a table."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(alike(a[key], b[key]) for key in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(map(alike, a, b))
    if isinstance(a, float) and isinstance(b, float):
        return math.isclose(a, b, rel_tol=1e-6, abs_tol=1e-12)
    return a == b


def times(folder):
    return {p: p.stat().st_mtime_ns for p in folder.glob("*/measured/*/stars/*.fits")}


def main(stackworthy):
    with tempfile.TemporaryDirectory() as name:
        here = Path(name)
        for seed, (stack, more) in enumerate({"a steady one": "", "bad": BAD, "broken": ""}.items()):
            scene = here / "scene.toml"
            scene.write_text(SCENE.format(seed=seed + 1) + more)
            code, text = run(stackworthy, "synth", scene, "--out", here / "night" / stack)
            assert code == 0, text
        (here / "night" / "broken" / "f-9.fits").write_text("junk")
        (here / "night" / "no frames").mkdir()

        # As after an end in the middle: only one stack's frames are measured.
        out = here / "out"
        workflow(stackworthy, here, *(out / "bad" / "measured" / f"f-{n:02}.fits" for n in range(1, 7)))
        before = times(out)
        assert len(before) == 6, before
        workflow(stackworthy, here)
        after = times(out)
        assert len(after) == 18, after
        assert all(after[path] == time for path, time in before.items()), "measured twice"

        expected = {}
        for stack in ["a steady one", "bad"]:
            checked = here / f"check {stack}"
            run(stackworthy, "check", here / "night" / stack, "--out", checked)
            ours, theirs = verdict(out / stack / "verdict"), verdict(checked)
            assert alike(ours, theirs), f"{stack}: not the verdict of check"
            kept = sum(e["gate"] == "keep" for e in theirs["exposures"])
            expected[stack] = [theirs["decision"], str(kept), "6"]
        rows = [line.split("\t") for line in (out / "flight.tsv").read_text().splitlines()]
        decisions = {row[0]: row[1:4] for row in rows[1:]}
        assert {stack: decisions[stack] for stack in expected} == expected, decisions
        assert expected["a steady one"][0] == "combine" != expected["bad"][0], expected
        assert decisions["broken"][1:] == ["6", "7"], decisions

        assert "Nothing to be done" in workflow(stackworthy, here)
        changed = here / "night" / "bad" / "f-02.fits"
        changed.write_bytes((here / "night" / "bad" / "f-04.fits").read_bytes())
        workflow(stackworthy, here)
        renewed = {path for path, time in times(out).items() if time != after[path]}
        assert renewed == {out / "bad" / "measured" / "f-02.fits" / "stars" / "f-02.fits"}, renewed
        print("the workflow: 3 stacks judged as check judges them, restarted without repeats")


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve())

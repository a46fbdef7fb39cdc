#!/usr/bin/env python3
"""A long simulated flight through check, flight add, flight report and watch: is memory flat, and does the
time grow as the number of frames?

Simulates NIGHTS visits of 20 frames of 240 x 240 pixels, a slow sag of the mirror and a bad night among
them; checks each visit as its own stack and adds it to one flight log; writes the flight's report after a
quarter, half, three quarters and all of the visits; then hands all frames to one watch, 20 at a time. Peaks
are those of the kernel (ru_maxrss, VmRSS, VmHWM), times are processor seconds. Ends with 1 where a
process's peak or its time for a frame in the last quarter is over what the first half gave by more than the
stated share.

Needs Python 3.9, Linux, and some 2 GB of disk for 2000 frames.
Usage: long_run.py STACKWORTHY FOLDER [NIGHTS, 100]
"""

import os
import resource
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

EACH = 20
LAST = 60
MEMORY_SHARE = 1.15
TIME_SHARE = 1.3

SCENE = """
name = "long"
seed = 77
[optics]
aperture_m = 0.6
obstruction = 0.3
wavelength_nm = 600
[motion]
jitter_mas = 40
[stars]
per_frame = 60
flux_electrons = [2e4, 4e5]
sky_electrons = 60
[detector]
width = 240
height = 240
[sequence]
exposures = {each}
exposure_s = 60
wcs = true
dither_rms_pixels = 4
start = "2031-03-01T20:00:00"
[flight]
nights = {nights}
[[flight.target]]
name = "Lantern field"
after_hours = 0
pointing_deg = [150.0, 20.0]
altitude_deg = 50
[[flight.change]]
what = "coma-x-nm"
per_day = 0.02
[[flight.change]]
what = "jitter-mas2"
nights = [{bad}]
by = 400
"""


def run(command, codes):
    """Runs a command; gives its processor seconds and its peak in KiB."""
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    said = child.stderr.read()
    _, status, used = os.wait4(child.pid, 0)
    code = os.waitstatus_to_exitcode(status)
    child.returncode = code
    if code not in codes:
        sys.exit(f"{' '.join(map(str, command[:4]))}: exit code {code}: {said.decode(errors='replace')[-600:]}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss


def status(pid):
    """VmRSS and VmHWM in KiB, processor seconds."""
    lines = dict(l.split(":", 1) for l in Path(f"/proc/{pid}/status").read_text().splitlines())
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    seconds = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return int(lines["VmRSS"].split()[0]), int(lines["VmHWM"].split()[0]), seconds


def check_and_log(tool, folder, visits):
    log = folder / "flight.sqlite"
    checks, adds, reports = [], [], []
    for number, visit in enumerate(visits, 1):
        result = folder / "results" / visit.name
        checks.append(run([tool, "check", visit, "--out", result, "--quiet"], range(0, 8)))
        adds.append(run([tool, "flight", "add", result, "--log", log], [0]))
        if number % max(1, len(visits) // 4) == 0:
            used = run([tool, "flight", "report", "--log", log, "--out", folder / "flight.html"], [0])
            size = (folder / "flight.html").stat().st_size
            reports.append((number, *used, size))
        if number % 10 == 0:
            print(f"  {number} visits", file=sys.stderr, flush=True)
    return checks, adds, reports


def watch(tool, folder, frames):
    """Rows: frames reported, VmRSS, VmHWM, processor seconds."""
    incoming = folder / "incoming"
    incoming.mkdir()
    said = open(folder / "watch.out", "wb+")
    child = subprocess.Popen(
        [tool, "watch", incoming, "--out", folder / "watched", "--last", str(LAST), "--every", "0.1",
         "--settle", "0.2", "--quiet", "--count", str(len(frames) + 1)],
        stdout=said,
    )
    rows, known, reported, read = [], 0, 0, open(folder / "watch.out", "rb")
    for first in range(0, len(frames), EACH):
        for number, frame in enumerate(frames[first:first + EACH], first):
            # Written aside and moved, so that a frame is whole when it is seen.
            os.link(frame, incoming / f"{number:05}.fits")
        known = min(len(frames), first + EACH)
        began = time.monotonic()
        while reported < known:
            reported += read.read().count(b"\n")
            if child.poll() is not None or time.monotonic() - began > 600:
                sys.exit(f"the watch stopped after {reported} of {known} frames")
            time.sleep(0.05)
        rows.append((known, *status(child.pid)))
    child.terminate()
    if child.wait() != 0:
        sys.exit(f"the watch ended with {child.returncode}")
    return rows


def over(name, values, share):
    """Whether the last quarter is over the second one by more than the share."""
    quarter = max(1, len(values) // 4)
    before, after = statistics.mean(values[quarter:2 * quarter]), statistics.mean(values[-quarter:])
    bad = after > share * before
    print(f"  {name}: second quarter {before:.4g}, last {after:.4g}{': OVER' if bad else ''}")
    return bad


def main():
    tool, folder = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
    nights = int(sys.argv[3]) if len(sys.argv) > 3 else 100
    if folder.exists():
        sys.exit(f"{folder} exists; name a new folder")
    folder.mkdir(parents=True)
    (folder / "scene.toml").write_text(SCENE.format(each=EACH, nights=nights, bad=max(1, nights // 3)))
    used = run([tool, "synth", folder / "scene.toml", "--out", folder / "frames", "--quiet"], [0])
    visits = sorted(p for p in (folder / "frames").iterdir() if p.is_dir())
    frames = [f for v in visits for f in sorted(v.glob("*.fits"))]
    print(f"{len(frames)} frames in {len(visits)} visits, simulated in {used[0]:.0f} s, peak {used[1] / 1024:.0f} MiB")

    checks, adds, reports = check_and_log(tool, folder, visits)
    print(f"check: {sum(c[0] for c in checks):.1f} s, peak {max(c[1] for c in checks) / 1024:.1f} MiB")
    # Opening the log checks every page of it: an add takes longer the longer the log, but little beside a check.
    bad = [over("s a stack, with its add", [c[0] + a[0] for c, a in zip(checks, adds)], TIME_SHARE),
           over("peak KiB", [c[1] for c in checks], MEMORY_SHARE)]
    print(f"flight add: {sum(a[0] for a in adds):.2f} s, peak {max(a[1] for a in adds) / 1024:.1f} MiB")
    over("s a stack", [a[0] for a in adds], TIME_SHARE)
    for number, seconds, peak, size in reports:
        print(f"flight report of {number * EACH} frames: {seconds:.2f} s, peak {peak / 1024:.1f} MiB, {size} bytes")

    rows = watch(tool, folder, frames)
    shown = [r for r in rows if r[0] in (100, 250, 260, 500, 1000, 1500, 2000) or r is rows[-1]]
    for number, rss, peak, seconds in shown:
        print(f"watch after {number} frames: VmRSS {rss / 1024:.1f} MiB, VmHWM {peak / 1024:.1f} MiB, {seconds:.1f} s")
    each = [b[3] - a[3] for a, b in zip(rows, rows[1:])]
    bad += [over(f"s for {EACH} frames", each, TIME_SHARE), over("VmRSS KiB", [r[1] for r in rows], MEMORY_SHARE)]
    shutil.rmtree(folder / "incoming")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(f"largest process: {peak / 1024:.1f} MiB")
    sys.exit(1 if any(bad) else 0)


if __name__ == "__main__":
    main()

#!/usr/bin/env python3
"""Runs the Python sample of README.md on a result folder and looks at what it gives.

Needs numpy and astropy: pip install numpy astropy
Usage: check_readme_sample.py RESULT_FOLDER
"""

import json
import os
import re
import sys
from pathlib import Path

readme = Path(__file__).resolve().parent.parent / "README.md"
samples = re.findall(r"```python\n(.*?)```", readme.read_text(), flags=re.S)
if len(samples) != 1:
    sys.exit(f"README.md holds {len(samples)} Python samples, one is expected")

os.chdir(sys.argv[1])
found = {}
exec(samples[0], found)

verdict = json.load(open("verdict.json"))
kept = [e for e in verdict["exposures"] if e["gate"] == "keep"]
first = next(e for e in kept if e["file"] == found["model"]["file"])
size, e1 = float(found["size_pix2"]), float(found["e1"])
# Anywhere in the field the model lies near the exposure's field mean.
if not 0.5 * first["size_pix2"] < size < 2.0 * first["size_pix2"]:
    sys.exit(f"size {size} is far from the field mean {first['size_pix2']}")
if abs(e1 - first["e1"]) > 0.3:
    sys.exit(f"e1 {e1} is far from the field mean {first['e1']}")
if abs(found["image"].sum() - 1.0) > 1e-3:
    sys.exit(f"the image sums to {found['image'].sum()}, not 1")
print(f"README sample: T = {size:.3f} pix2, e1 = {e1:+.4f} at ({found['x']}, {found['y']})")

# A whole flight: a folder with one sub-folder of frames a stack, each stack measured and judged.
#
#   pip install snakemake
#   snakemake -s scripts/flight.smk --cores 8 --config frames=night out=night-result
#
# Every frame is measured by a job of its own, and every stack judged by one; the star tables
# are all that goes from the first to the second. Started again after any kind of end it makes
# what is missing or older than its frames, and nothing else; after a kill add --rerun-incomplete.
# On a batch system add one of Snakemake's executors, for example:
#
#   pip install snakemake-executor-plugin-slurm
#   snakemake -s scripts/flight.smk --executor slurm --jobs 200 --group-components measure=20 \
#       --config frames=night out=night-result
#
# Configuration:
#   frames    folder with the stacks' folders
#   out       folder for the results: out/STACK/verdict, and out/flight.tsv over all stacks
#   settings  settings file (TOML) for all stacks; a file stackworthy.toml among a stack's frames
#             is used for that stack instead
#   program   the stackworthy to run (default: that on the PATH)
import json
import os
from pathlib import Path

FRAMES = Path(config["frames"])
OUT = Path(config["out"])
PROGRAM = config.get("program", "stackworthy")
DECISIONS = "combine-subset,split,combine-with-own-psfs,do-not-combine,undecided"


def is_frame(name):
    plain = name.lower().removesuffix(".gz")
    return not name.startswith(".") and plain.endswith((".fits", ".fit", ".fts", ".fz"))


STACKS = {}
for folder in sorted(p for p in FRAMES.iterdir() if p.is_dir()):
    names = sorted(p.name for p in folder.iterdir() if p.is_file() and is_frame(p.name))
    if names:
        STACKS[folder.name] = names
if not STACKS:
    raise WorkflowError(f"{FRAMES}: no folder in it holds FITS files")


def settings_of(wildcards):
    own = FRAMES / wildcards.stack / "stackworthy.toml"
    if own.exists():
        return [str(own)]
    return [config["settings"]] if "settings" in config else []


wildcard_constraints:
    stack="[^/]+",
    frame="[^/]+",


localrules:
    all,
    flight,


rule all:
    input:
        OUT / "flight.tsv",


# A frame that cannot be read leaves a folder without a star table (exit code 1): it becomes a row of
# the verdict and does not end the flight.
rule measure:
    input:
        frame=FRAMES / "{stack}" / "{frame}",
        settings=settings_of,
    output:
        directory(OUT / "{stack}" / "measured" / "{frame}"),
    log:
        OUT / "{stack}" / "log" / "{frame}.log",
    params:
        settings=lambda wildcards, input: ["--settings", input.settings] if input.settings else [],
    threads: 1
    resources:
        mem_mb=lambda wildcards, input, attempt: int(attempt * (300 + 12 * input.size_mb)),
    retries: 1
    shell:
        """
        {PROGRAM:q} measure {input.frame:q} --out {output:q} {params.settings:q} --threads 1 \
            >{log:q} 2>&1 || [ $? -eq 1 ]
        """


rule judge:
    input:
        measured=lambda w: [OUT / w.stack / "measured" / frame for frame in STACKS[w.stack]],
        settings=settings_of,
    output:
        OUT / "{stack}" / "verdict" / "verdict.json",
    log:
        OUT / "{stack}" / "log" / "verdict.log",
    params:
        folder=lambda wildcards, output: os.path.dirname(output[0]),
        settings=lambda wildcards, input: ["--settings", input.settings] if input.settings else [],
    threads: 2
    resources:
        mem_mb=lambda wildcards, attempt: attempt * 2000,
    shell:
        """
        tables=()
        for folder in {input.measured:q}; do
            table=("$folder"/stars/*.fits)
            [ -e "${{table[0]}}" ] || table=("$folder/no-star-table")
            tables+=("${{table[@]}}")
        done
        {PROGRAM:q} judge "${{tables[@]}}" --out {params.folder:q} --again {params.settings:q} \
            --threads {threads} --accept {DECISIONS} >{log:q} 2>&1
        """


rule flight:
    input:
        [OUT / stack / "verdict" / "verdict.json" for stack in STACKS],
    output:
        OUT / "flight.tsv",
    run:
        with open(output[0], "w") as table:
            print("stack", "decision", "kept", "exposures", "size_high", "ellipticity_high", sep="\t", file=table)
            for stack, path in zip(STACKS, input):
                with open(path) as file:
                    verdict = json.load(file)
                change = verdict["repeatability"] or {}
                high = [(change.get(what) or {}).get("high") for what in ("size", "ellipticity")]
                kept = sum(e["gate"] == "keep" for e in verdict["exposures"])
                cells = [stack, verdict["decision"], kept, len(verdict["exposures"])]
                cells += ["" if value is None else f"{value:.4g}" for value in high]
                print(*cells, sep="\t", file=table)

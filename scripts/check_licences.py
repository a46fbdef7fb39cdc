"""Holds the licence of every crate that is built in against the list below; needs cargo alone.

The list is that of deny.toml. Prints the crates that are not on it and ends with 1 if there are any.
"""

import json
import re
import subprocess
import sys

ALLOWED = {"MIT", "MIT-0", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "Zlib", "Unlicense", "0BSD",
           "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0", "ISC", "Unicode-3.0"}


def allowed(expression):
    """True where one side of every OR, and both of every AND, is on the list."""
    expression = expression.replace("/", " OR ")
    tokens = re.findall(r"\(|\)|\bAND\b|\bOR\b|[^()\s]+(?: WITH [^()\s]+)?", expression)
    words = {"AND": " and ", "OR": " or ", "(": "(", ")": ")"}
    return eval("".join(words.get(token, str(token in ALLOWED)) for token in tokens))


def main():
    host = re.search(r"host: (\S+)", subprocess.run(["rustc", "-vV"], capture_output=True, text=True).stdout).group(1)
    command = ["cargo", "metadata", "--format-version", "1", "--locked", "--filter-platform", host]
    packages = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)["packages"]
    bad = [f"{p['name']} {p['version']}: {p['license']}" for p in packages if not p["license"] or not allowed(p["license"])]
    foreign = [f"{p['name']} is not from crates.io" for p in packages
               if p["source"] and "crates.io-index" not in p["source"]]
    print(f"{len(packages)} crates; {len(bad)} of a licence not allowed, {len(foreign)} from elsewhere")
    print("\n".join(bad + foreign), end="\n" if bad or foreign else "")
    sys.exit(1 if bad or foreign else 0)


main()

#!/bin/sh
# Makes the stored frames in testdata-synth/frames from their scene. tests/synth.rs
# checks that the simulator still makes the same ones. Run from the repository's root.
set -e
rm -f testdata-synth/frames/small-*.fits testdata-synth/frames/truth*
cargo run --release -- synth testdata-synth/scenes/small.toml --out testdata-synth/frames

//! A simulated stack checked through the binary.

use std::process::Output;

use stackworthy::synth::{Scene, run};

/// The folder with the frames and their truth, and in it the folder with the result.
pub struct Checked {
    folder: tempfile::TempDir,
    pub output: Output,
}

impl Checked {
    pub fn scene(scene: &Scene) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let frames = run(scene, folder.path(), false, &|_| ()).unwrap();
        let output = assert_cmd::Command::cargo_bin("stackworthy")
            .unwrap()
            .arg("check")
            .args(&frames)
            .arg("--out")
            .arg(folder.path().join("out"))
            .output()
            .unwrap();
        Self { folder, output }
    }

    /// A file of the folder; those of the result lie in `out`.
    pub fn read(&self, file: &str) -> String {
        std::fs::read_to_string(self.folder.path().join(file)).unwrap()
    }
}

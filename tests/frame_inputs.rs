//! What the command line names, as a list of files.

use stackworthy::frame::{FrameError, expand_inputs};

fn touch(folder: &std::path::Path, names: &[&str]) {
    for name in names {
        std::fs::write(folder.join(name), b"").unwrap();
    }
}

#[test]
fn folders_patterns_and_files() {
    let holder = tempfile::tempdir().unwrap();
    let root = holder.path();
    touch(
        root,
        &["b.fits", "A.FIT", "c.fts", "d.fits.gz", "e.fits.fz", "f.Fits.Gz", "note.txt", "g.gz", ".h.fits"],
    );
    std::fs::create_dir(root.join("inner.fits")).unwrap();
    touch(&root.join("inner.fits"), &["deep.fits"]);
    let at = |name: &str| root.join(name).to_string_lossy().into_owned();
    let names = |list: &[&str]| list.iter().map(|n| at(n)).collect::<Vec<_>>();

    let folder = expand_inputs(&[at("")]).unwrap();
    let stems: Vec<&str> = folder.iter().map(|f| f.rsplit('/').next().unwrap()).collect();
    assert_eq!(stems, ["A.FIT", "b.fits", "c.fts", "d.fits.gz", "e.fits.fz", "f.Fits.Gz"]);

    assert_eq!(expand_inputs(&[at("?.fits")]).unwrap(), names(&["b.fits"]));
    // A folder that a pattern matches stands for its files.
    assert_eq!(expand_inputs(&[at("*.fits")]).unwrap(), names(&["b.fits", "inner.fits/deep.fits"]));
    // A named file stays, whatever its extension, and where it does not exist.
    let given = names(&["note.txt", "absent.fits"]);
    assert_eq!(expand_inputs(&given).unwrap(), given);
    // Repeats go, the first spelling stays.
    let twice = [at("b.fits"), at("./b.fits"), at("*.fits")];
    assert_eq!(expand_inputs(&twice).unwrap(), names(&["b.fits", "inner.fits/deep.fits"]));
    // A file whose name looks like a pattern is a file.
    touch(root, &["x[1].fits"]);
    assert_eq!(expand_inputs(&[at("x[1].fits")]).unwrap(), names(&["x[1].fits"]));
}

#[test]
fn what_is_refused() {
    let holder = tempfile::tempdir().unwrap();
    let at = |name: &str| holder.path().join(name).to_string_lossy().into_owned();
    assert!(matches!(expand_inputs(&[at("")]), Err(FrameError::NothingFound { .. })));
    assert!(matches!(expand_inputs(&[at("*.fits")]), Err(FrameError::NothingFound { .. })));
    assert!(matches!(expand_inputs(&[at("a[.fits")]), Err(FrameError::Pattern { .. })));
    assert!(matches!(expand_inputs(&["a\nb.fits".into()]), Err(FrameError::LineBreak { .. })));
    touch(holder.path(), &["two\nlines.fits"]);
    assert!(matches!(expand_inputs(&[at("")]), Err(FrameError::LineBreak { .. })));
}

#[cfg(unix)]
#[test]
fn a_name_that_is_not_utf8_is_refused_by_folder() {
    use std::os::unix::ffi::OsStrExt;
    let holder = tempfile::tempdir().unwrap();
    let name = std::ffi::OsStr::from_bytes(b"caf\xe9.fits");
    if std::fs::write(holder.path().join(name), b"").is_err() {
        return;
    }
    let folder = holder.path().to_string_lossy().into_owned();
    assert!(matches!(expand_inputs(&[folder]), Err(FrameError::NotUtf8 { .. })));
}

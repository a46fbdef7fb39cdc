//! The report in a real browser, at the widths of a phone, a laptop and a desk: no error, no request, no
//! sideways scrolling, no text over other text or cut off, readable in dark and light, printable. Needs Chromium
//! (Debian's package), found by name or by STACKWORTHY_CHROMIUM; says so where there is none.

use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

const WIDTHS: [u32; 3] = [400, 1000, 1600];
const PATIENCE: Duration = Duration::from_secs(90);

/// Looks at the page from inside and writes what it finds into the title.
const LOOK: &str = include_str!("browser/look.js");

fn chromium() -> Option<PathBuf> {
    let named = std::env::var_os("STACKWORTHY_CHROMIUM").map(PathBuf::from);
    let on_path = std::env::var_os("PATH").into_iter().flat_map(|path| {
        let folders: Vec<PathBuf> = std::env::split_paths(&path).collect();
        folders.into_iter().flat_map(|f| ["chromium", "chromium-browser"].map(|name| f.join(name)))
    });
    named.into_iter().chain(on_path).find(|path| path.is_file())
}

/// Runs the browser with a profile of its own; gives stdout and stderr. Whatever it started ends with it.
fn browse(chromium: &Path, args: &[String]) -> (String, String) {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| std::fs::File::create(folder.path().join(name)).unwrap();
    let mut browser = Command::new(chromium)
        .args(["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run"])
        .args(["--disable-background-networking", "--disable-component-update", "--enable-logging=stderr"])
        .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
        .args(args)
        .stdin(Stdio::null())
        .stdout(file("out"))
        .stderr(file("err"))
        .process_group(0)
        .spawn()
        .unwrap();
    let start = Instant::now();
    let status = loop {
        match browser.try_wait().unwrap() {
            Some(status) => break Some(status),
            None if start.elapsed() > PATIENCE => break None,
            None => std::thread::sleep(Duration::from_millis(50)),
        }
    };
    // The group holds what the browser started, and nothing else.
    let group = format!("-{}", browser.id());
    let _ = Command::new("kill").args(["-KILL", "--", &group]).stderr(Stdio::null()).status();
    let _ = browser.wait();
    let read =
        |name: &str| String::from_utf8_lossy(&std::fs::read(folder.path().join(name)).unwrap()).into_owned();
    let (out, err) = (read("out"), read("err"));
    assert!(status.is_some_and(|s| s.success()), "the browser ended with {status:?}: {err}");
    (out, err)
}

/// The page as it is, with the look added, in a frame of that width: the window of a browser may not be made
/// as narrow as a phone.
fn looked_at(page: &str, width: u32) -> String {
    let allowed = page.replacen("img-src data:", "img-src data:; script-src 'unsafe-inline'", 1);
    assert_ne!(allowed, page, "the page forbids no scripts");
    let (head, body) = allowed.split_once("<body").unwrap();
    let inside =
        format!("{head}<script>{LOOK}</script><body{body}").replace('&', "&amp;").replace('"', "&quot;");
    format!(
        "<!doctype html><html><head><title></title><meta charset=\"utf-8\"><meta name=\"color-scheme\" \
         content=\"light dark\"></head><body style=\"margin:0\"><iframe style=\"border:0;width:{width}px;height:900px\" \
         srcdoc=\"{inside}\"></iframe></body></html>"
    )
}

fn look(chromium: &Path, page: &str, width: u32, dark: bool) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("looked-at.html");
    std::fs::write(&path, looked_at(page, width)).unwrap();
    let mut args = vec!["--window-size=1700,1000".to_owned(), "--virtual-time-budget=5000".into()];
    // 0 is dark, 1 is light.
    args.push(format!("--blink-settings=preferredColorScheme={}", u8::from(!dark)));
    args.extend(["--dump-dom".into(), format!("file://{}", path.display())]);
    let (dom, log) = browse(chromium, &args);
    let console: Vec<&str> = log.lines().filter(|l| l.contains("CONSOLE")).collect();
    let title = dom.split("<title>").nth(1).and_then(|t| t.split("</title>").next()).unwrap();
    let text = title.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&");
    let mut seen: Value = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}: {console:?}"));
    seen["console"] = serde_json::json!(console);
    seen
}

fn stackworthy(folder: &Path, args: &[&str]) {
    let run =
        Command::new(env!("CARGO_BIN_EXE_stackworthy")).current_dir(folder).args(args).output().unwrap();
    assert_ne!(run.status.code(), Some(1), "{}", String::from_utf8_lossy(&run.stderr));
}

/// Results of a small stack with its optics, and of one with an exposure left out.
fn results() -> (TempDir, [&'static str; 2]) {
    let folder = tempfile::tempdir().unwrap();
    let small = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata-synth/scenes/small.toml");
    stackworthy(folder.path(), &["synth", small, "--out", "small"]);
    let optics = "check small --out small-r --set telescope.aperture_m=0.6 --set telescope.obstruction=0.3 --set \
                  telescope.wavelength_nm=600";
    stackworthy(folder.path(), &optics.split_whitespace().collect::<Vec<_>>());
    stackworthy(folder.path(), &["synth", "one-bad", "--out", "bad"]);
    stackworthy(folder.path(), &["check", "bad", "--out", "bad-r"]);
    (folder, ["small-r", "bad-r"])
}

#[test]
fn the_page_holds_in_a_browser() {
    let Some(chromium) = chromium() else {
        println!("skipped: no chromium here");
        return;
    };
    let (folder, names) = results();
    for name in names {
        let page = std::fs::read_to_string(folder.path().join(name).join("report.html")).unwrap();
        for width in WIDTHS {
            let seen = look(&chromium, &page, width, width == 1000);
            println!("{name} at {width}: {} texts, {} figures", seen["texts"], seen["figures"]);
            assert_eq!(seen["width"], width, "{name}");
            for fault in ["overlaps", "cut", "requests", "violations", "broken", "console"] {
                assert_eq!(seen[fault], serde_json::json!([]), "{name} at {width}: {fault}");
            }
            assert!(seen["scroll"].as_f64().unwrap() <= f64::from(width), "{name} at {width}: {seen}");
            assert!(
                seen["texts"].as_u64().unwrap() > 300 && seen["figures"].as_u64().unwrap() >= 6,
                "{seen}"
            );
            // Dark is dark, and text stands out of the paper (4.5: WCAG 2.1, 1.4.3).
            let luminance = seen["paper"].as_f64().unwrap();
            assert_eq!(luminance < 0.2, width == 1000, "{seen}");
            assert!(seen["contrast"].as_f64().unwrap() >= 4.5, "{seen}");
        }
    }
}

/// That the look finds what it is to find.
#[test]
fn faults_are_found() {
    let Some(chromium) = chromium() else {
        println!("skipped: no chromium here");
        return;
    };
    let faulty = "<!doctype html><html><head><meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; \
                  style-src 'unsafe-inline'; img-src data:\"></head><body style=\"margin:0\"><p>one text</p><p \
                  style=\"margin-top:-2em\">another</p><img src=\"file:///nothing.png\"><div style=\"width:3000px\">wide\
                  </div><svg viewBox=\"0 0 100 20\" width=\"100\"><text x=\"90\" y=\"15\">beyond</text></svg></body></html>";
    let seen = look(&chromium, faulty, 800, false);
    for fault in ["overlaps", "cut", "violations", "broken", "console"] {
        assert!(!seen[fault].as_array().unwrap().is_empty(), "{fault}: {seen}");
    }
    assert!(seen["scroll"].as_f64().unwrap() >= 3000.0, "{seen}");
}

#[test]
fn the_page_prints() {
    let Some(chromium) = chromium() else {
        println!("skipped: no chromium here");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let small = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata-synth/scenes/small.toml");
    stackworthy(folder.path(), &["synth", small, "--out", "small"]);
    stackworthy(folder.path(), &["check", "small", "--out", "r"]);
    let pdf = folder.path().join("report.pdf");
    let page = format!("file://{}", folder.path().join("r/report.html").display());
    browse(&chromium, &[format!("--print-to-pdf={}", pdf.display()), "--no-pdf-header-footer".into(), page]);
    let bytes = std::fs::read(&pdf).unwrap();
    assert!(bytes.starts_with(b"%PDF") && bytes.len() > 20_000, "{} bytes", bytes.len());
}

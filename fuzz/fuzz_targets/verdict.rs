//! Any bytes as a verdict file: what is read can be shown and written again.
#![no_main]

use libfuzzer_sys::fuzz_target;
use stackworthy::report::{json, keep_list, terminal};
use stackworthy::verdict::Verdict;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(verdict) = serde_json::from_slice::<Verdict>(bytes) {
        let _ = (terminal::summary(&verdict, "out"), keep_list(&verdict));
        let text = json::to_text(&verdict).unwrap();
        let again: Verdict = serde_json::from_str(&text).unwrap();
        assert_eq!(json::to_text(&again).unwrap(), text);
    }
});

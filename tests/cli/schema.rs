//! What is published about records, against what is printed. Whether records keep to it
//! is checked with another validator: fixtures/reference/check_record.py.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::bench_files::Folder;

#[test]
fn every_key_of_a_record_is_described_on_the_page_of_formats() {
    let schema = Folder::new().json(&["schema"]);
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/formats.md");
    let page = fs::read_to_string(page).unwrap();
    let keys = schema["properties"].as_object().unwrap().keys();
    let missing: Vec<&String> = keys
        .filter(|key| !page.contains(&format!("`{key}`")))
        .collect();
    assert!(missing.is_empty(), "{missing:?}");
    let names = |kinds: &Value| -> Vec<String> {
        let each = kinds.as_array().unwrap().iter();
        each.map(|kind| {
            kind["properties"]["entry"]["const"]
                .as_str()
                .unwrap()
                .into()
        })
        .collect()
    };
    let entries = names(&schema["$defs"]["Entry"]["oneOf"]);
    assert!(entries.len() > 5, "{entries:?}");
    for name in entries {
        assert!(page.contains(&format!("- `{name}`")), "{name}");
    }
}

#[test]
fn outcomes_and_options_are_named_after_their_entry() {
    let schema = Folder::new().json(&["schema"]);
    let names = schema["$defs"].as_object().unwrap().keys();
    let numbered = |name: &&String| {
        let rest = ["Outcome", "Options"].map(|word| name.strip_prefix(word));
        rest.into_iter()
            .flatten()
            .any(|rest| rest.parse::<u32>().is_ok())
    };
    assert_eq!(names.filter(numbered).count(), 0);
    assert!(schema["$defs"]["FeedbackOutcome"].is_object());
}

//! The pages of `docs` make a book: every page has its chapter, and every link
//! within the project leads somewhere.

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn pages() -> Vec<PathBuf> {
    let entries = fs::read_dir(root().join("docs")).unwrap();
    let paths = entries.map(|entry| entry.unwrap().path());
    paths
        .filter(|path| path.extension() == Some("md".as_ref()))
        .collect()
}

/// Targets of `[…](target)`, without anchors.
fn links(text: &str) -> Vec<&str> {
    let mut code = false;
    let told = text.lines().filter(|line| {
        code ^= line.trim_start().starts_with("```");
        !code
    });
    let targets = told.flat_map(|line| line.split("](").skip(1));
    targets
        .filter_map(|rest| rest.split([')', '#']).next())
        .collect()
}

#[test]
fn every_page_has_its_chapter() {
    let summary = fs::read_to_string(root().join("docs/SUMMARY.md")).unwrap();
    let chapters = links(&summary);
    for page in pages() {
        let name = page.file_name().unwrap().to_str().unwrap();
        assert!(
            name == "SUMMARY.md" || chapters.contains(&name),
            "{name} has no chapter"
        );
    }
}

#[test]
fn every_link_within_the_project_leads_somewhere() {
    let mut seen = 0;
    let own = ["README.md", "DEVELOPERS.md"].map(|name| root().join(name));
    for page in pages().into_iter().chain(own) {
        let text = fs::read_to_string(&page).unwrap();
        let outside = |target: &&str| target.is_empty() || target.contains("://");
        for target in links(&text).into_iter().filter(|target| !outside(target)) {
            let path = page.parent().unwrap_or(Path::new("")).join(target);
            assert!(path.exists(), "{}: {target}", page.display());
            seen += 1;
        }
    }
    assert!(seen > 20, "{seen} links");
}

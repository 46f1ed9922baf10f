//! Pictures as files of their own.

use crate::bench_files::{Folder, noise, stderr, wav};

fn session() -> Folder {
    let folder = Folder::new();
    let sound = noise(7, 4 * 24_000, 0.05);
    let own = noise(9, sound.len(), 0.01);
    let force: Vec<f64> = sound.iter().zip(&own).map(|(s, n)| 2.0 * s + n).collect();
    wav(&folder.path("a.wav"), 24_000, 24, &[&force, &sound]);
    folder.text(
        "session.toml",
        "schema = 1\n[session]\ncode = \"S1\"\ncalibration = \"cal.toml\"\n\
         [[capture]]\nname = \"a<b & \\\"c\\\"\"\nfile = \"a.wav\"\nrole = \"general\"\n",
    );
    folder
}

/// Every tag is closed by its own, and nothing else stands where a tag may.
fn is_well_formed(svg: &str) {
    let mut open: Vec<&str> = Vec::new();
    for tag in svg.split('<').skip(1) {
        let (tag, rest) = tag.split_once('>').expect(tag);
        assert!(!rest.contains('>'), "{rest}");
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name), "{tag}");
        } else if !tag.ends_with('/') {
            open.push(tag.split(' ').next().unwrap());
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn every_picture_of_a_session_is_listed_and_written_whole() {
    let folder = session();
    let listed = folder.run(&["plot", "session.toml"]);
    assert_eq!(listed.status.code(), Some(0), "{}", stderr(&listed));
    let listed = String::from_utf8(listed.stdout).unwrap();
    assert!(listed.lines().count() >= 1, "{listed}");
    let mut over_bands = 0;
    for line in listed.lines() {
        let (name, title) = line.split_once("  ").unwrap();
        let arguments = ["plot", "session.toml", "--what", name, "--out", "p.svg"];
        let output = folder.run(&arguments);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let svg = std::fs::read_to_string(folder.path("p.svg")).unwrap();
        is_well_formed(&svg);
        assert!(svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox"));
        assert!(svg.contains("<title id=\"t\">") && svg.contains("<desc id=\"d\">"));
        assert!(
            !svg.contains("var(--") && !svg.contains("http://f"),
            "{title}"
        );
        // What a page says in the table below stands in the picture itself.
        if svg.contains("Band, Hz") {
            over_bands += 1;
            assert!(svg.contains(">1k</text>"), "{title}");
        }
        assert!(svg.contains("fill:#"), "colours are baked in");
    }
    assert!(over_bands >= 1, "{listed}");
}

#[test]
fn a_record_gives_the_picture_of_its_session() {
    let folder = session();
    let analyse = ["analyse", "session.toml", "-q", "--out", "r.json"];
    assert_eq!(folder.run(&analyse).status.code(), Some(0));
    let listed = String::from_utf8(folder.run(&["plot", "session.toml"]).stdout).unwrap();
    let name = listed.split("  ").next().unwrap();
    let drawn = |from: &str| folder.run(&["plot", from, "--what", name]).stdout;
    let picture = drawn("r.json");
    assert!(!picture.is_empty() && picture == drawn("session.toml"));
}

#[test]
fn what_there_is_no_picture_of_is_told_with_what_there_is() {
    let folder = session();
    let output = folder.run(&["plot", "session.toml", "--what", "polar"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("one of "), "{}", stderr(&output));
    let output = folder.run(&["plot", "session.toml", "--what", "x", "--out", "x.jpg"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains(".svg"), "{}", stderr(&output));
}

#[test]
fn a_png_is_written_where_the_build_has_it_and_else_refused_with_the_way_to_one() {
    let folder = session();
    let listed = folder.run(&["plot", "session.toml", "--quiet"]);
    let listed = String::from_utf8(listed.stdout).unwrap();
    let name = listed.split_once("  ").unwrap().0;
    let output = folder.run(&["plot", "session.toml", "--what", name, "--out", "p.png"]);
    if cfg!(feature = "png") {
        let told = stderr(&output);
        // A machine without fonts says so and writes nothing.
        if output.status.code() == Some(2) && told.contains("no font") {
            assert!(!folder.path("p.png").exists());
            return;
        }
        assert_eq!(output.status.code(), Some(0), "{told}");
        let bytes = std::fs::read(folder.path("p.png")).unwrap();
        assert!(bytes.starts_with(b"\x89PNG") && bytes.len() > 5000);
    } else {
        assert_eq!(output.status.code(), Some(2));
        assert!(
            stderr(&output).contains("--features png"),
            "{}",
            stderr(&output)
        );
        assert!(!folder.path("p.png").exists());
    }
}

#[test]
fn the_files_of_a_record_are_found_in_the_folder_given() {
    let folder = session();
    let analyse = ["analyse", "session.toml", "-q", "--out", "r.json"];
    assert_eq!(folder.run(&analyse).status.code(), Some(0));
    std::fs::create_dir(folder.path("archive")).unwrap();
    for name in ["a.wav", "session.toml", "cal.toml"] {
        let to = folder.path("archive").join(name);
        std::fs::rename(folder.path(name), to).unwrap();
    }
    assert_eq!(folder.run(&["plot", "r.json"]).status.code(), Some(2));
    let moved = folder.run(&["plot", "r.json", "--folder", "archive"]);
    assert_eq!(moved.status.code(), Some(0), "{}", stderr(&moved));
    assert!(!moved.stdout.is_empty());
}

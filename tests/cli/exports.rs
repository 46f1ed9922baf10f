//! The spreadsheet, read back by another library, and the page as PDF.

use std::collections::BTreeMap;
use std::io::Cursor;
use std::process::Command;

use calamine::{Data, Reader, Xlsx};

use crate::bench_files::{Folder, stderr};
use crate::ears::{LEFT, RIGHT, session};

/// Every sheet of a spreadsheet, cell by cell.
pub fn sheets(folder: &Folder, name: &str) -> BTreeMap<String, Vec<Vec<Data>>> {
    let bytes = std::fs::read(folder.path(name)).unwrap();
    let mut book: Xlsx<_> = calamine::open_workbook_from_rs(Cursor::new(bytes)).unwrap();
    let names = book.sheet_names();
    let rows = |name: &String| {
        let range = book.worksheet_range(name).unwrap();
        range.rows().map(<[Data]>::to_vec).collect()
    };
    let found: Vec<Vec<Vec<Data>>> = names.iter().map(rows).collect();
    names.into_iter().zip(found).collect()
}

/// Source of the check: calamine, a reader of spreadsheets that shares no code with the
/// writer.
#[test]
fn another_library_reads_from_the_spreadsheet_what_the_csv_holds() {
    let folder = Folder::new();
    session(&folder, "l", LEFT, "P-1", 3.0);
    session(&folder, "r", RIGHT, "P-1", 1.5);
    let before = folder.run(&["analyse", "l.toml", "-q", "--out", "earlier.json"]);
    assert_eq!(before.status.code(), Some(0), "{}", stderr(&before));
    let output = folder.run(&[
        "analyse",
        "l.toml",
        "r.toml",
        "-q",
        "--since",
        "earlier.json",
        "--out",
        "b.xlsx",
        "--out",
        "b.csv",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let sheets = sheets(&folder, "b.xlsx");

    let mut csv = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_path(folder.path("b.csv"))
        .unwrap();
    let rows: Vec<csv::StringRecord> = csv.records().map(Result::unwrap).collect();
    let figures = &sheets["Figures"];
    assert_eq!(figures.len(), rows.len());
    let (mut numbers, mut texts) = (0, 0);
    for (there, here) in figures.iter().zip(&rows) {
        for (cell, text) in there.iter().zip(here) {
            match cell {
                Data::Empty => assert_eq!(text, ""),
                Data::Float(figure) => {
                    numbers += 1;
                    assert_eq!(*figure, text.parse::<f64>().unwrap());
                }
                Data::String(told) => {
                    texts += 1;
                    assert_eq!(told, text);
                }
                other => panic!("{other:?} for {text}"),
            }
        }
    }
    assert!(numbers > 200 && texts > 1000, "{numbers}, {texts}");

    // Every answer of either ear, and nothing changed in the left one.
    let answers = &sheets["Answers"];
    assert_eq!(answers[0][0], Data::String("question".into()));
    let of = |ear: &str| {
        let told = answers.iter().map(|row| row[1].to_string().to_lowercase());
        told.filter(|part| part.ends_with(ear)).count()
    };
    assert!(of("left ear") > 3 && of("right ear") > 3);
    let changes = &sheets["Changes"];
    let side = changes[0].len() - 1;
    assert!(changes.len() > 50);
    for row in &changes[1..] {
        assert_eq!(row[side], Data::String("left".into()));
        let difference = row[8].to_string();
        assert!(["", "0"].contains(&difference.as_str()), "{row:?}");
    }
    let meanings: Vec<String> = sheets["Columns"]
        .iter()
        .map(|row| row[0].to_string())
        .collect();
    for column in rows[0].iter().chain(["difference", "verdict"]) {
        assert!(meanings.iter().any(|name| name == column), "{column}");
    }
    let behind = sheets["Behind"].iter().map(|row| row[0].to_string());
    for part in ["Calibration", "Caution"] {
        assert!(behind.clone().any(|of| of.ends_with(part)), "{part}");
    }
}

#[test]
fn the_same_record_is_the_same_spreadsheet() {
    let folder = Folder::new();
    session(&folder, "l", LEFT, "P-1", 3.0);
    let made = |name: &str| {
        let output = folder.run(&["analyse", "l.toml", "-q", "--out", name]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        std::fs::read(folder.path(name)).unwrap()
    };
    assert_eq!(made("a.xlsx"), made("b.xlsx"));
}

/// Runs `analyse` with a browser of this name.
fn printed_by(folder: &Folder, browser: &str, out: &str) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_micronewton"))
        .args(["analyse", "l.toml", "-q", "--out", out, "--out", "l.json"])
        .current_dir(folder.path(""))
        .env("MICRONEWTON_BROWSER", folder.path(browser))
        .output()
        .unwrap()
}

#[test]
fn without_a_browser_pdf_is_refused_before_anything_is_written() {
    let folder = Folder::new();
    session(&folder, "l", LEFT, "P-1", 3.0);
    let output = printed_by(&folder, "none", "l.pdf");
    assert_eq!(output.status.code(), Some(2));
    let told = stderr(&output);
    assert!(
        told.contains("MICRONEWTON_BROWSER") && told.contains(".html"),
        "{told}"
    );
    assert!(!folder.path("l.json").exists() && !folder.path("l.pdf").exists());
}

/// A stand-in for the browser: `.ci/run` prints with a real one.
#[cfg(unix)]
#[test]
fn the_browser_gets_the_page_and_its_file_is_written_or_its_complaint_told() {
    use std::os::unix::fs::PermissionsExt;
    let folder = Folder::new();
    session(&folder, "l", LEFT, "P-1", 3.0);
    let stand_in = |name: &str, text: &str| {
        folder.text(name, &format!("#!/bin/sh\n{text}\n"));
        let mode = std::fs::Permissions::from_mode(0o755);
        std::fs::set_permissions(folder.path(name), mode).unwrap();
    };
    // Prints the page behind a head of PDF, and only once it is told to run as root.
    stand_in(
        "prints",
        "case \"$*\" in *--no-sandbox*) ;; *) echo 'as root: --no-sandbox' >&2; exit 1;; esac\n\
         for a; do case $a in --print-to-pdf=*) out=${a#*=};; *.html) page=$a;; esac; done\n\
         { echo '%PDF-1.4 /CreationDate (D:20260312101112)'; cat \"$page\"; } > \"$out\"",
    );
    let output = printed_by(&folder, "prints", "l.pdf");
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let told = std::fs::read_to_string(folder.path("l.pdf")).unwrap();
    assert!(told.starts_with("%PDF-1.4 /CreationDate (D:19700101000000)"));
    assert!(told.contains("Device D-l, left side"));

    stand_in("fails", "echo 'the paper is out' >&2; exit 3");
    let output = printed_by(&folder, "fails", "other.pdf");
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("the paper is out"),
        "{}",
        stderr(&output)
    );
    assert!(!folder.path("other.pdf").exists());
}

//! Files as recorders really write them: each is read to the exact sample values,
//! with what had to be put right said, or refused by name.
//!
//! The rows are odd layouts met in practice: RIFF/WAVE description, Microsoft's
//! WAVEFORMATEXTENSIBLE page (valid bits at the top), EBU Tech 3285 (`bext`) and 3306
//! (`RF64`), and the issue lists of open-source WAV readers. `check_inspect.py` in
//! fixtures/reference holds the same reading against libsndfile and SciPy.

use micronewton::capture::{Recording, Source};
use serde_json::Value;

use crate::bench_files::{Folder, noise, stderr};

const RATE_HZ: u32 = 48_000;
const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xFFFE;
const GUID_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71];

/// What should come of a file.
enum Expected {
    /// The samples, and a note or no word.
    Read(Vec<f64>),
    /// The samples, with a warning that says this.
    Warned(Vec<f64>, &'static str),
    /// An error with this code that says this.
    Refused(&'static str, &'static str),
}
use Expected::{Read, Refused, Warned};

fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes.extend(body);
    if body.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}

/// The same with another figure for its size.
fn sized(mut chunk: Vec<u8>, size: u32) -> Vec<u8> {
    chunk[4..8].copy_from_slice(&size.to_le_bytes());
    chunk
}

fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body: Vec<u8> = chunks.concat();
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((body.len() as u32 + 4).to_le_bytes());
    bytes.extend(b"WAVE");
    bytes.extend(body);
    bytes
}

fn fmt(tag: u16, channels: u16, bits: u16, bytes: u16) -> Vec<u8> {
    let align = channels * bytes;
    let mut body = tag.to_le_bytes().to_vec();
    body.extend(channels.to_le_bytes());
    body.extend(RATE_HZ.to_le_bytes());
    body.extend((RATE_HZ * u32::from(align)).to_le_bytes());
    body.extend(align.to_le_bytes());
    body.extend(bits.to_le_bytes());
    body
}

/// A plain `fmt ` body made longer by `more` bytes.
fn longer(mut body: Vec<u8>, more: usize) -> Vec<u8> {
    body.resize(body.len() + more, 0);
    body
}

fn extensible(channels: u16, bits: u16, bytes: u16, valid: u16, tag: u16) -> Vec<u8> {
    let mut body = fmt(EXTENSIBLE, channels, bits, bytes);
    body.extend(22u16.to_le_bytes());
    body.extend(valid.to_le_bytes());
    body.extend(3u32.to_le_bytes());
    body.extend(tag.to_le_bytes());
    body.extend(GUID_TAIL);
    body
}

/// Codes of `bits`, their values in full scale, and their bytes, the codes moved up
/// by `shift` in containers of `bytes`.
fn codes(bits: u32, bytes: usize, shift: u32) -> (Vec<f64>, Vec<u8>) {
    let full = 2f64.powi(bits as i32 - 1);
    let signal = noise(7, 400, 0.9);
    let codes: Vec<i64> = signal.iter().map(|x| (x * full) as i64).collect();
    let values = codes.iter().map(|code| *code as f64 / full).collect();
    let stored = codes
        .iter()
        .flat_map(|code| (code << shift).to_le_bytes()[..bytes].to_vec());
    (values, stored.collect())
}

fn plain_16() -> (Vec<f64>, Vec<u8>, Vec<u8>) {
    let (values, bytes) = codes(16, 2, 0);
    (
        values,
        chunk(b"fmt ", &fmt(PCM, 2, 16, 2)),
        chunk(b"data", &bytes),
    )
}

/// Every row: what it is, the file, what should come of it.
fn rows() -> Vec<(&'static str, Vec<u8>, Expected)> {
    let (v, f, d) = plain_16();
    let (v24, b24) = codes(24, 3, 0);
    let (v32, b32) = codes(32, 4, 0);
    let of = |fmt: Vec<u8>, data: &[u8]| riff(&[chunk(b"fmt ", &fmt), chunk(b"data", data)]);
    let single: Vec<f32> = noise(7, 400, 1.5).iter().map(|x| *x as f32).collect();
    let vf: Vec<f64> = single.iter().map(|x| f64::from(*x)).collect();
    let bf: Vec<u8> = single.iter().flat_map(|x| x.to_le_bytes()).collect();
    let vd = noise(7, 400, 1.5);
    let bd: Vec<u8> = vd.iter().flat_map(|x| x.to_le_bytes()).collect();
    let (v8, mut b8) = codes(8, 1, 0);
    b8.iter_mut()
        .for_each(|byte| *byte = byte.wrapping_add(128));
    let mut no_pad = chunk(b"LIST", b"INFOabc");
    no_pad.pop();
    let mut short = of(fmt(PCM, 2, 16, 2), &codes(16, 2, 0).1);
    short.truncate(short.len() - 401);
    let mut stray = codes(16, 2, 0).1;
    stray.extend([1, 2]);
    let mut odd = codes(16, 2, 0).1;
    odd.push(1);
    let mut zero_riff = riff(&[f.clone(), d.clone()]);
    zero_riff[4..8].fill(0);
    let mut no_rate = fmt(PCM, 2, 16, 2);
    no_rate[8..12].fill(0);
    let mut rf64 = b"RF64\xff\xff\xff\xffWAVE".to_vec();
    let mut ds64 = [0u8; 28];
    ds64[8..16].copy_from_slice(&800u64.to_le_bytes());
    rf64.extend(chunk(b"ds64", &ds64));
    rf64.extend(&f);
    rf64.extend(sized(d.clone(), u32::MAX));
    rf64.extend(chunk(b"LIST", b"INFO"));
    let bw64 = [b"BW64", &rf64[4..]].concat();
    let mut guid = extensible(2, 16, 2, 16, PCM);
    guid[30] = 0xEE;
    let tagged = [
        &b"ID3\x04\0\0\0\0\x01\x02"[..],
        &[0; 130],
        &riff(&[f.clone(), d.clone()]),
    ]
    .concat();
    let mut rifx = riff(&[f.clone(), d.clone()]);
    rifx[..4].copy_from_slice(b"RIFX");
    let mut uneven = b24[..3 * 399].to_vec();
    uneven = riff(&[chunk(b"fmt ", &fmt(PCM, 1, 24, 3)), chunk(b"data", &uneven)]);
    uneven.pop();
    let two_fmt = |body: Vec<u8>| riff(&[chunk(b"fmt ", &body), d.clone()]);
    let before = |first: Vec<u8>| riff(&[first, f.clone(), d.clone()]);
    let between = |middle: Vec<u8>| riff(&[f.clone(), middle, d.clone()]);
    let read = || Read(v.clone());
    let (vl, left) = codes(24, 4, 8);
    let (vr, right) = codes(24, 4, 0);
    let (v20, b20) = codes(20, 3, 4);
    vec![
        ("01 plain", riff(&[f.clone(), d.clone()]), read()),
        (
            "02 odd LIST with pad",
            between(chunk(b"LIST", b"INFOabc")),
            read(),
        ),
        (
            "03 odd LIST without pad",
            between(no_pad),
            Warned(v.clone(), "pad byte after its `LIST` chunk is missing"),
        ),
        (
            "04 bext before fmt",
            before(chunk(b"bext", &[0; 602])),
            read(),
        ),
        (
            "05 odd iXML before fmt",
            before(chunk(b"iXML", b"<a></a>")),
            read(),
        ),
        (
            "06 JUNK before fmt",
            before(chunk(b"JUNK", &[0; 28])),
            read(),
        ),
        (
            "07 data size 0",
            riff(&[f.clone(), sized(d.clone(), 0)]),
            Warned(v.clone(), "does not say how long"),
        ),
        (
            "08 data size all ones",
            riff(&[f.clone(), sized(d.clone(), u32::MAX)]),
            Warned(v.clone(), "does not say how long"),
        ),
        (
            "09 the same, 24 bits mono",
            riff(&[
                chunk(b"fmt ", &fmt(PCM, 1, 24, 3)),
                sized(chunk(b"data", &b24), u32::MAX),
            ]),
            Warned(v24.clone(), "does not say how long"),
        ),
        (
            "10 RIFF size 0",
            zero_riff,
            Warned(v.clone(), "speaks of 8 bytes in all"),
        ),
        (
            "11 cut off",
            short,
            Warned(v[..198].to_vec(), "was cut off"),
        ),
        (
            "12 half a frame too many",
            of(fmt(PCM, 2, 16, 2), &stray),
            Warned(v.clone(), "2 stray bytes"),
        ),
        (
            "13 a stray byte",
            of(fmt(PCM, 2, 16, 2), &odd),
            Warned(v.clone(), "1 stray bytes"),
        ),
        ("14 RF64 with ds64", rf64, read()),
        ("14 BW64 with ds64", bw64, read()),
        (
            "15 extensible, 24 of 24",
            of(extensible(2, 24, 3, 24, PCM), &b24),
            Read(v24.clone()),
        ),
        (
            "16 extensible, 24 upper of 32",
            of(extensible(2, 32, 4, 24, PCM), &left),
            Read(vl.clone()),
        ),
        (
            "16 extensible, 24 lower of 32",
            of(extensible(2, 32, 4, 24, PCM), &right),
            Warned(vr.clone(), "lower ones of 32"),
        ),
        (
            "16 extensible, all of 32 used",
            of(extensible(2, 32, 4, 24, PCM), &b32),
            Warned(v32.clone(), "all 32 are in use"),
        ),
        (
            "17 plain, 24 lower of 32",
            of(fmt(PCM, 2, 24, 4), &right),
            Warned(vr, "lower ones of 32"),
        ),
        (
            "17 plain, 24 upper of 32",
            of(fmt(PCM, 2, 24, 4), &left),
            Warned(vl, "upper ones of 32"),
        ),
        (
            "17 plain, 24 nowhere in 32",
            of(fmt(PCM, 2, 24, 4), &b32),
            Refused("capture.unsupported", "24 bits in 4 bytes"),
        ),
        (
            "18 extensible, 20 of 24",
            of(extensible(2, 24, 3, 20, PCM), &b20),
            Read(v20),
        ),
        (
            "19 32 bits",
            of(fmt(PCM, 2, 32, 4), &b32),
            Read(v32.clone()),
        ),
        (
            "20 32 bits, fmt of 18",
            of(longer(fmt(PCM, 2, 32, 4), 2), &b32),
            Read(v32),
        ),
        ("21 float", of(fmt(FLOAT, 2, 32, 4), &bf), Read(vf.clone())),
        (
            "22 float, fmt of 18, fact",
            riff(&[
                chunk(b"fmt ", &longer(fmt(FLOAT, 2, 32, 4), 2)),
                chunk(b"fact", &[200, 0, 0, 0]),
                chunk(b"data", &bf),
            ]),
            Read(vf.clone()),
        ),
        (
            "23 float, fact of 8",
            riff(&[
                chunk(b"fmt ", &longer(fmt(FLOAT, 2, 32, 4), 2)),
                chunk(b"fact", &[0; 8]),
                chunk(b"data", &bf),
            ]),
            Read(vf.clone()),
        ),
        (
            "24 extensible float",
            of(extensible(2, 32, 4, 32, FLOAT), &bf),
            Read(vf.clone()),
        ),
        ("25 float of 64", of(fmt(FLOAT, 2, 64, 8), &bd), Read(vd)),
        (
            "26 float, fmt of 40",
            of(longer(fmt(FLOAT, 2, 32, 4), 24), &bf),
            Read(vf),
        ),
        (
            "27 extensible, fmt of 42, 24 more",
            two_fmt({
                let mut body = longer(extensible(2, 16, 2, 16, PCM), 2);
                body[16] = 24;
                body
            }),
            read(),
        ),
        (
            "28 extensible, fmt of 42, 22 more",
            two_fmt(longer(extensible(2, 16, 2, 16, PCM), 2)),
            read(),
        ),
        (
            "29 byte rate 0",
            two_fmt(no_rate),
            Warned(v.clone(), "speaks of 0 bytes a second"),
        ),
        (
            "30 fmt of 20",
            two_fmt(longer(fmt(PCM, 2, 16, 2), 4)),
            read(),
        ),
        ("31 8 bits", of(fmt(PCM, 2, 8, 1), &b8), Read(v8)),
        (
            "32 data before fmt",
            riff(&[d.clone(), f.clone()]),
            Warned(v.clone(), "stands behind the samples"),
        ),
        (
            "33 two data chunks",
            riff(&[f.clone(), d.clone(), d.clone()]),
            Warned(v.clone(), "second `data` chunk of 800 bytes"),
        ),
        (
            "34 LIST after data",
            riff(&[f.clone(), d.clone(), chunk(b"LIST", b"INFO")]),
            read(),
        ),
        (
            "35 A-law",
            of(fmt(6, 2, 8, 1), &[0; 64]),
            Refused("capture.unsupported", "A-law"),
        ),
        (
            "35 µ-law",
            of(fmt(7, 2, 8, 1), &[0; 64]),
            Refused("capture.unsupported", "µ-law"),
        ),
        (
            "36 unknown sub-format",
            two_fmt(guid),
            Refused("capture.unsupported", "extensible format of unknown kind"),
        ),
        (
            "37 a tag in front",
            tagged,
            Warned(v.clone(), "a tag of 140 bytes"),
        ),
        (
            "38 big-endian",
            rifx,
            Refused("capture.unsupported", "RIFX"),
        ),
        (
            "39 PAD of 2048",
            between(chunk(b"PAD ", &[0; 2048])),
            read(),
        ),
        (
            "40 odd length, no pad at the end",
            uneven,
            Read(v24[..399].to_vec()),
        ),
        (
            "an empty recording",
            of(fmt(PCM, 2, 16, 2), &[]),
            Refused("capture.broken", "no samples"),
        ),
        (
            "no data",
            riff(std::slice::from_ref(&f)),
            Refused("capture.broken", "before a `data` chunk"),
        ),
        (
            "no fmt",
            riff(std::slice::from_ref(&d)),
            Refused("capture.broken", "no `fmt ` chunk"),
        ),
        (
            "a chunk beyond the end",
            riff(&[f.clone(), sized(chunk(b"LIST", b"INFO"), 9999), d.clone()]),
            Refused("capture.broken", "`LIST` chunk is longer"),
        ),
        (
            "a frame that does not fit",
            two_fmt({
                let mut body = fmt(PCM, 2, 16, 2);
                body[12] = 3;
                body
            }),
            Refused("capture.broken", "do not make a frame of 3 bytes"),
        ),
    ]
}

/// All samples of a file as interleaved frames of its first channels.
fn samples(folder: &Folder, name: &str, channels: usize) -> Vec<f64> {
    let source = |channel| {
        Some(Source {
            file: folder.path(name),
            channel,
        })
    };
    let second = if channels > 1 { source(2) } else { None };
    let mut recording = Recording::open([source(1), second]).unwrap();
    let (mut all, mut block) = (Vec::new(), Vec::new());
    loop {
        recording.read(100, &mut block).unwrap();
        if block.is_empty() {
            return all;
        }
        for frame in &block {
            all.extend(&frame[..channels]);
        }
    }
}

#[test]
fn every_odd_file_is_read_right_or_refused_by_name() {
    let folder = Folder::new();
    let rows = rows();
    for (number, (_, bytes, _)) in rows.iter().enumerate() {
        std::fs::write(folder.path(&format!("{number}.wav")), bytes).unwrap();
    }
    let names: Vec<String> = (0..rows.len()).map(|n| format!("{n}.wav")).collect();
    let mut arguments = vec!["inspect", "--format", "json"];
    arguments.extend(names.iter().map(String::as_str));
    let output = folder.run(&arguments);
    // Some are refused; all others are there.
    assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
    let record: Value = serde_json::from_slice(&output.stdout).unwrap();
    let findings = record["findings"].as_array().unwrap();
    for ((what, _, expected), name) in rows.iter().zip(&names) {
        let file = record["files"]
            .as_array()
            .unwrap()
            .iter()
            .find(|f| f["path"] == **name);
        let said: Vec<&Value> = findings
            .iter()
            .filter(|f| f["place"]["file"] == **name)
            .collect();
        let values = match expected {
            Refused(code, words) => {
                assert!(file.is_none(), "{what}");
                assert_eq!(said[0]["severity"], "error", "{what}");
                assert_eq!(said[0]["code"], *code, "{what}");
                assert!(
                    said[0]["message"].as_str().unwrap().contains(words),
                    "{what}: {}",
                    said[0]
                );
                continue;
            }
            Warned(values, words) => {
                let warned = said.iter().any(|f| {
                    f["code"] == "capture.repaired"
                        && f["severity"] == "warning"
                        && f["message"].as_str().unwrap().contains(words)
                });
                assert!(warned, "{what}: {said:?}");
                values
            }
            Read(values) => {
                assert!(
                    said.iter().all(|f| f["severity"] == "note"),
                    "{what}: {said:?}"
                );
                values
            }
        };
        let channels = file.unwrap()["channels"].as_array().unwrap().len();
        assert_eq!(&samples(&folder, name, channels), values, "{what}");
        for (position, channel) in file.unwrap()["channels"]
            .as_array()
            .unwrap()
            .iter()
            .enumerate()
        {
            let own: Vec<f64> = values
                .iter()
                .skip(position)
                .step_by(channels)
                .copied()
                .collect();
            let mean_square = own.iter().map(|x| x * x).sum::<f64>() / own.len() as f64;
            let rms = channel["rms_fs"].as_f64().unwrap();
            assert!((rms - mean_square.sqrt()).abs() < 1e-12, "{what}: {rms}");
        }
    }
}

#[test]
fn what_the_reference_decoder_reads_right_is_read_the_same() {
    // hound reads these right; it is the independent decoder here.
    let folder = Folder::new();
    for bits in [8, 16, 24, 32, 0] {
        let (left, right) = (noise(1, 3000, 0.99), noise(2, 3000, 0.5));
        crate::bench_files::wav(&folder.path("x.wav"), RATE_HZ, bits, &[&left, &right]);
        let mut reader = hound::WavReader::open(folder.path("x.wav")).unwrap();
        let expected: Vec<f64> = match bits {
            0 => reader
                .samples::<f32>()
                .map(|x| f64::from(x.unwrap()))
                .collect(),
            bits => {
                let full = 2f64.powi(i32::from(bits) - 1);
                reader
                    .samples::<i32>()
                    .map(|x| f64::from(x.unwrap()) / full)
                    .collect()
            }
        };
        assert_eq!(samples(&folder, "x.wav", 2), expected, "{bits} bits");
    }
}

#[test]
fn no_header_makes_the_program_fail_on_its_own_account() {
    // 700 files of one to three bytes changed in the header or cut short.
    let folder = Folder::new();
    let originals: Vec<Vec<u8>> = rows().into_iter().map(|(_, bytes, _)| bytes).collect();
    let mut state = 12_345u32;
    let mut next = |below: usize| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as usize % below
    };
    let mut arguments = vec![
        "inspect".to_owned(),
        "--quiet".into(),
        "--format".into(),
        "json".into(),
    ];
    for number in 0..700 {
        let mut bytes = originals[next(originals.len())].clone();
        for _ in 0..=next(3) {
            let at = next(bytes.len().min(120));
            bytes[at] = [0, 1, 0x7f, 0xff, next(256) as u8][next(5)];
        }
        if next(4) == 0 {
            bytes.truncate(next(bytes.len()));
        }
        let name = format!("{number}.wav");
        std::fs::write(folder.path(&name), bytes).unwrap();
        arguments.push(name);
    }
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let output = folder.run(&arguments);
    assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
    let record: Value = serde_json::from_slice(&output.stdout).unwrap();
    let read = record["files"].as_array().unwrap().len();
    let errors = record["findings"].as_array().unwrap().iter();
    let errors: Vec<&Value> = errors.filter(|f| f["severity"] == "error").collect();
    assert_eq!(read + errors.len(), 700);
    assert!(read > 100 && errors.len() > 100, "{read} read");
    assert!(errors.iter().all(|f| f["code"] != "internal.fault"));
}

#[test]
fn a_file_says_when_it_was_made_but_no_names() {
    let (_, f, d) = plain_16();
    let mut bext = vec![0; 602];
    bext[..14].copy_from_slice(b"Somebody's ear");
    bext[256..264].copy_from_slice(b"Somebody");
    bext[320..338].copy_from_slice(b"2031-05-0614:07:08");
    bext[338..346].copy_from_slice(&2_439_360_000u64.to_le_bytes());
    let ixml = b"<BWFXML><NOTE>Somebody</NOTE></BWFXML>";
    let folder = Folder::new();
    let bytes = riff(&[chunk(b"bext", &bext), f, d, chunk(b"iXML", ixml)]);
    std::fs::write(folder.path("x.wav"), bytes).unwrap();
    for format in ["json", "table", "csv"] {
        let output = folder.run(&["inspect", "x.wav", "--format", format]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(!text.contains("Somebody"), "{text}");
        assert_eq!(text.contains("2031-05-06"), format != "csv", "{text}");
    }
    let record = folder.json(&["inspect", "x.wav", "--format", "json"]);
    let origin = &record["files"][0]["origin"];
    assert_eq!(origin["time"], "14:07:08");
    assert_eq!(origin["since_midnight_samples"], 2_439_360_000u64);
    let not_shown = serde_json::json!(["bext description", "bext originator", "iXML"]);
    assert_eq!(origin["not_shown"], not_shown);
}

#[test]
fn strict_ends_with_1_where_a_file_is_doubtful() {
    let folder = Folder::new();
    let sound = noise(1, 48_000, 0.3);
    let mut broken = sound.clone();
    broken[20_000..20_500].fill(0.0);
    let write = |name: &str, a: &[f64], b: &[f64]| {
        crate::bench_files::wav(&folder.path(name), RATE_HZ, 24, &[a, b]);
    };
    write("good.wav", &sound, &noise(2, 48_000, 0.3));
    write("dropped.wav", &noise(2, 48_000, 0.3), &broken);
    write("copied.wav", &sound, &sound);
    write("silent.wav", &sound, &[0.0; 48_000]);
    let status = |name: &str| folder.run(&["inspect", name, "--strict"]).status.code();
    assert_eq!(status("good.wav"), Some(0));
    for (name, code) in [
        ("dropped.wav", "capture.interrupted"),
        ("copied.wav", "capture.same_samples"),
        ("silent.wav", "capture.no_signal"),
    ] {
        assert_eq!(status(name), Some(1), "{name}");
        let record = folder.json(&["inspect", name, "--format", "json"]);
        let findings = record["findings"].as_array().unwrap();
        assert_eq!(findings.len(), 1, "{findings:?}");
        assert_eq!(findings[0]["code"], code);
        assert_eq!(findings[0]["place"]["channel"], "2");
    }
    assert_eq!(
        folder
            .run(&["inspect", "good.wav", "none.wav"])
            .status
            .code(),
        Some(2)
    );
}

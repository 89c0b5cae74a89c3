//! Simulated parts from real BSDL files: what a bench answers against what a plain text search finds in the file.
//! Runs when `TAPLOOM_CORPUS` names the corpus; a relative path counts from the workspace root.

use super::*;

/// Files of which no bench is made, with the reason.
const LEFT_OUT: [(&str, &str); 1] = [(
    "MV88E1111",
    "lists neither EXTEST nor SAMPLE, so there is no boundary register to measure",
)];

/// The file without comments, upper case, each run of blanks one blank.
fn plain(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes).to_ascii_uppercase();
    let lines = text.lines().map(|l| l.split("--").next().unwrap_or(""));
    let words: Vec<&str> = lines.flat_map(str::split_whitespace).collect();
    words.join(" ")
}

/// What stands between `ATTRIBUTE name OF … IS` and the semicolon.
fn attribute<'a>(text: &'a str, name: &str) -> Option<&'a str> {
    let at = text.find(&format!("ATTRIBUTE {name} OF "))?;
    let (_, value) = text[at..].split_once(" IS ")?;
    Some(value.split(';').next()?.trim())
}

/// Joined text of a value made of strings.
fn joined(value: &str) -> String {
    let parts = value.split('"').skip(1).step_by(2);
    parts.collect::<String>().replace(' ', "")
}

#[test]
fn real_parts_answer_as_their_files_say() {
    let Some(corpus) = std::env::var_os("TAPLOOM_CORPUS") else {
        return;
    };
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join(corpus)
        .join("bsdl");
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    files.sort();
    let (mut ran, mut cells) = (0, 0);
    for file in &files {
        let bytes = std::fs::read(file).unwrap();
        let text = plain(&bytes);
        let (_, rest) = text.split_once("ENTITY ").unwrap();
        let entity = rest.split(' ').next().unwrap();
        if LEFT_OUT.iter().any(|(name, _)| entity.ends_with(name)) {
            continue;
        }
        let number = |name| attribute(&text, name).and_then(|v| v.parse::<usize>().ok());
        let ir_length = number("INSTRUCTION_LENGTH").unwrap();
        let boundary = number("BOUNDARY_LENGTH").unwrap();
        let capture = joined(attribute(&text, "INSTRUCTION_CAPTURE").unwrap());
        let idcode = attribute(&text, "IDCODE_REGISTER").map(joined);

        // Alone on a chain, without a board file's checks of the package.
        let device = taploom_bsdl::parse(&bytes, &Default::default())
            .device
            .unwrap();
        let package = device.pin_maps[0].name.clone();
        let scratch = Scratch::new();
        std::fs::copy(file, scratch.0.join("part.bsd")).unwrap();
        let board = format!(
            "[board]\nformat = 1\nname = \"one\"\nbsdl = [\"part.bsd\"]\n[[device]]\nname = \"U1\"\n\
             entity = \"{}\"\npin_map = \"{package}\"\n",
            device.entity
        );
        let mut bench = scratch
            .open(&board, "")
            .unwrap_or_else(|e| panic!("{}: {e}", file.display()));

        // Identity, first bit right in the file.
        clock(&mut bench, "11111 0100", "11111 0000");
        let out = clock(&mut bench, &"0".repeat(33), &"1".repeat(33));
        match &idcode {
            Some(code) => assert!(fits(&code[..32], &out[..32]), "{entity}: {code} {out}"),
            None => assert_eq!(&out[..2], "01", "{entity}: one bit of BYPASS"),
        }
        // The instruction register's length and what it captures.
        reset(&mut bench);
        let out = scan_ir(
            &mut bench,
            &format!("{}0{}", "1".repeat(ir_length), "1".repeat(ir_length)),
        );
        assert!(
            fits(&capture, &out[..ir_length]),
            "{entity}: {capture} {out}"
        );
        assert_eq!(out[ir_length..].find('0'), Some(ir_length), "{entity}");
        // BYPASS is in force now: one bit.
        assert_eq!(scan_dr(&mut bench, "1000"), "0100", "{entity}");
        // The boundary register, under the first code of SAMPLE.
        let sample = joined_code(&text, "SAMPLE").unwrap_or_else(|| panic!("{entity} has SAMPLE"));
        let first_left: String = sample
            .chars()
            .rev()
            .map(|c| if c == '1' { '1' } else { '0' })
            .collect();
        scan_ir(&mut bench, &first_left);
        let zeros = "0".repeat(boundary);
        let out = scan_dr(&mut bench, &format!("{zeros}1{zeros}"));
        assert_eq!(out[boundary..].find('1'), Some(boundary), "{entity}");
        assert_eq!(seen(&bench).fight_count, 0);
        ran += 1;
        cells += boundary;
    }
    #[allow(clippy::print_stderr, reason = "says how much of the corpus ran")]
    {
        eprintln!("{ran} real parts on simulated benches, {cells} cells");
    }
    assert_eq!(ran + LEFT_OUT.len(), files.len());
    assert!(ran >= 33 && cells > 10_000, "{ran} files, {cells} cells");
}

/// Whether bits, first left, fit a pattern, first right.
fn fits(pattern: &str, out: &str) -> bool {
    pattern.len() == out.len()
        && pattern
            .chars()
            .rev()
            .zip(out.chars())
            .all(|(p, o)| p == 'X' || p == o)
}

/// The first code of an instruction in INSTRUCTION_OPCODE.
fn joined_code(text: &str, instruction: &str) -> Option<String> {
    let all = joined(attribute(text, "INSTRUCTION_OPCODE")?);
    let at = all
        .match_indices(&format!("{instruction}("))
        .find(|(i, _)| *i == 0 || matches!(all.as_bytes()[i - 1], b',' | b')'))?;
    let codes = &all[at.0 + instruction.len() + 1..];
    Some(codes.split([',', ')']).next()?.to_string())
}

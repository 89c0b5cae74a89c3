//! Boards made of real BSDL files: four of the corpus, picked by a seed, as a board file and a bench file in the build
//! folder. The BSDL files stay where they are.
//!
//! The corpus is the folder that `TAPLOOM_CORPUS` names; a relative path counts from the workspace root.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Devices that no board can be made of, with the reason.
pub(crate) const LEFT_OUT: [(&str, &str); 1] = [(
    "generated_MV88E1111",
    "lists neither EXTEST nor SAMPLE and captures no 01: a board with it is refused",
)];

/// A board of four real devices and a bench on which it is as drawn.
#[derive(Debug)]
pub(crate) struct CorpusBoard {
    /// The board file.
    pub(crate) board: PathBuf,
    /// The bench file.
    pub(crate) bench: PathBuf,
    /// TDI to TDO: U1 to U4.
    pub(crate) devices: Vec<CorpusDevice>,
}

/// What a few lines of text search find in a BSDL file; shares no code with the reader of the crate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct CorpusDevice {
    /// The file.
    pub(crate) file: PathBuf,
    /// Entity name as spelt.
    pub(crate) entity: String,
    /// INSTRUCTION_LENGTH.
    pub(crate) ir_length: u32,
    /// The first pattern of IDCODE_REGISTER: 32 characters of 0, 1, X, bit 0 last; `None` for a part without.
    pub(crate) idcode: Option<String>,
}

/// The corpus, or `None` if the variable is not set.
///
/// # Panics
/// If it is set and names no folder with BSDL files in it: a corpus that is not there must not pass for a run. If it is
/// not set and `TAPLOOM_TESTS` is `full`: a full run skips nothing.
pub(crate) fn folder() -> Option<PathBuf> {
    let Some(named) = std::env::var_os("TAPLOOM_CORPUS").filter(|v| !v.is_empty()) else {
        assert_ne!(
            std::env::var("TAPLOOM_TESTS").as_deref(),
            Ok("full"),
            "TAPLOOM_CORPUS is not set"
        );
        return None;
    };
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(named);
    assert!(
        folder.join("bsdl").is_dir(),
        "TAPLOOM_CORPUS: no folder {}",
        folder.join("bsdl").display()
    );
    Some(folder)
}

/// The devices of the corpus by file name, without those of [`LEFT_OUT`]; of several with the same entity only the
/// first, for a board file names entities.
pub(crate) fn devices(corpus: &Path) -> Vec<CorpusDevice> {
    let entries = fs::read_dir(corpus.join("bsdl")).expect("the corpus can be read");
    let mut files: Vec<_> = entries
        .map(|e| e.expect("the corpus can be read").path())
        .collect();
    files.retain(|f| f.extension().is_some_and(|e| e.eq_ignore_ascii_case("bsd")));
    files.sort();
    let mut seen = BTreeSet::new();
    let mut all: Vec<_> = files.iter().map(|f| device(f)).collect();
    all.retain(|d| {
        seen.insert(d.entity.to_ascii_lowercase())
            && LEFT_OUT.iter().all(|(left, _)| *left != d.entity)
    });
    all
}

/// Board and bench for a seed: four different devices of the list, in an order that the seed gives.
pub(crate) fn board(devices: &[CorpusDevice], seed: u64) -> CorpusBoard {
    let mut left: Vec<_> = devices.to_vec();
    let mut state = seed;
    let picked: Vec<_> = (0..4)
        .map(|_| left.swap_remove((split_mix(&mut state) % left.len() as u64) as usize))
        .collect();

    let mut text = format!("[board]\nformat = 1\nname = \"Corpus board {seed}\"\nbsdl = [\n");
    for device in &picked {
        text += &format!("  {:?},\n", device.file.display().to_string());
    }
    text += "]\n";
    for (n, device) in picked.iter().enumerate() {
        text += &format!(
            "\n[[device]]\nname = \"U{}\"\nentity = {:?}\n",
            n + 1,
            device.entity
        );
    }
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join(format!("corpus-{}-{seed}", std::process::id()));
    fs::create_dir_all(&folder).expect("the build folder can be written");
    let made = CorpusBoard {
        board: folder.join("board.toml"),
        bench: folder.join("as-drawn.toml"),
        devices: picked,
    };
    fs::write(&made.board, text).expect("the build folder can be written");
    let bench = format!("[bench]\nformat = 1\nboard = \"board.toml\"\nseed = {seed}\n");
    fs::write(&made.bench, bench).expect("the build folder can be written");
    made
}

impl Drop for CorpusBoard {
    fn drop(&mut self) {
        if let Some(folder) = self.board.parent().filter(|_| !std::thread::panicking()) {
            let _ = fs::remove_dir_all(folder);
        }
    }
}

/// # Panics
/// If the file has no entity or no INSTRUCTION_LENGTH.
fn device(file: &Path) -> CorpusDevice {
    let bytes = fs::read(file).expect("the corpus can be read");
    let text: String = bytes.iter().map(|b| char::from(*b)).collect();
    let text: String = text
        .lines()
        .map(|line| line.split("--").next().unwrap_or("").to_string() + "\n")
        .collect();
    let lower = text.to_ascii_lowercase();
    let word_after = |word: &str| {
        let at = lower
            .match_indices(word)
            .map(|(i, _)| i + word.len())
            .find(|i| lower[*i..].starts_with(['\t', ' ']))?;
        text[at..].split_whitespace().next()
    };
    // `attribute NAME of ENTITY : entity is VALUE;`
    let value = |name: &str| {
        let is_attribute =
            |at: &usize| lower[at + name.len()..].split_whitespace().next() == Some("of");
        let at = lower
            .match_indices(name)
            .map(|(at, _)| at)
            .find(is_attribute)?;
        let statement = &text[at..at + text[at..].find(';')?];
        let is = statement.to_ascii_lowercase().find(" is")?;
        Some(statement[is + 3..].to_string())
    };
    let idcode = value("idcode_register").map(|v| {
        let quoted: String = v.split('"').skip(1).step_by(2).collect();
        quoted
            .chars()
            .filter(|c| !c.is_whitespace())
            .take(32)
            .collect::<String>()
            .to_ascii_uppercase()
    });
    CorpusDevice {
        file: file.to_path_buf(),
        entity: word_after("entity").expect("an entity").into(),
        ir_length: value("instruction_length")
            .and_then(|v| v.trim().parse().ok())
            .expect("INSTRUCTION_LENGTH"),
        idcode,
    }
}

/// SplitMix64: the same boards for the same seed everywhere.
fn split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let z = (*state ^ *state >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ z >> 31
}

//! From a board file to a checked board.

use std::path::{Path, PathBuf};

use super::declared::{Board, GuardRules};
use super::error::{BoardError, Cause, Reader};
use super::library::{BESIDE, FNV_START, Library, fnv1a};
use super::netlist::{Drawn, Netlist};
use super::place::Place;
use crate::files::reason;
use crate::tables::{self, Fault, Table, Text};

/// The tables of a board file.
const TABLES: [&str; 11] = [
    "board",
    "tck",
    "device",
    "connector",
    "socket",
    "part",
    "pull",
    "driver",
    "tie",
    "wire",
    "guard",
];

/// A board in the making: each step may use what the steps before it have put there.
pub(super) struct Loader<'a> {
    pub(super) reader: Reader<'a>,
    pub(super) board: Board,
    /// The folder that paths count from.
    pub(super) folder: PathBuf,
    pub(super) library: Library,
    /// Fingerprint of what has been read so far.
    pub(super) print: u64,
}

impl Board {
    /// Reads a board file with its harness and the BSDL files that it names.
    ///
    /// # Errors
    /// Everything that is wrong, at once, each with place, cause and mend; only a file that is no TOML at all is
    /// reported by itself. Nothing is written and nothing but files is touched.
    pub fn load(path: impl AsRef<Path>) -> Result<Self, BoardError> {
        let path = path.as_ref();
        let help = "give the path of a board file";
        let text = tables::text_of(path, "board file", help)?;
        let print = fnv1a(FNV_START, text.as_bytes());
        let (mut board, print) = tables::parse(path, text, |reader, root| {
            let root = reader.whole_file("the board file", root, &TABLES);
            let mut loader = Loader {
                reader: Reader {
                    source: reader.source,
                    problems: vec![],
                },
                board: Board::empty(path),
                folder: path.parent().unwrap_or(Path::new("")).to_path_buf(),
                library: Library::default(),
                print,
            };
            loader.read(&root);
            reader.problems.extend(loader.reader.problems);
            Some((loader.board, loader.print))
        })?;
        let described = board.devices.iter().filter_map(|d| d.bsdl_path.clone());
        board.files.extend(described);
        board.hash = format!("{print:016x}");
        board.netlist = Netlist::of(&board);
        board.drawn = Drawn::of(&board.netlist);
        Ok(board)
    }

    fn empty(path: &Path) -> Self {
        Self {
            name: String::new(),
            path: path.to_path_buf(),
            files: vec![path.to_path_buf()],
            devices: vec![],
            connectors: vec![],
            sockets: vec![],
            wires: vec![],
            parts: vec![],
            pulls: vec![],
            drivers: vec![],
            ties: vec![],
            guard: GuardRules::default(),
            tck_max_hz: None,
            hash: String::new(),
            netlist: Netlist::default(),
            drawn: Drawn::default(),
        }
    }
}

impl<'a> Loader<'a> {
    fn read(&mut self, root: &Table<'a>) {
        let harness = self.read_board(root);
        self.read_tck(root);
        self.read_devices(root);
        self.read_connectors(root);
        self.read_sockets(root);
        // Parts, pulls and drivers may name connector pins that `pins` leaves out; those have to be known before
        // anything else refers to them.
        self.read_parts(root);
        self.read_pulls(root);
        self.read_drivers(root);
        self.read_ties(root);
        if let Some(harness) = harness {
            self.read_harness(&harness);
        }
        self.read_wires(root);
        self.read_guard(root);
    }

    /// `[board]`; gives the harness file's name.
    fn read_board(&mut self, root: &Table<'a>) -> Option<Text<'a>> {
        let r = &mut self.reader;
        let Some(value) = root.get("board") else {
            r.missing(root, "board", "[board] with format = 1 and a name");
            return None;
        };
        let table = r.table("[board]", value, &["format", "name", "bsdl", "harness"])?;
        if !table.has("format") {
            r.missing(&table, "format", "format = 1");
        }
        r.whole(&table, "format", 1..=1, "format = 1");
        if let Some(name) = r.need(&table, "name", "name = \"Needle-bus tap\"") {
            self.board.name = name.text.trim().into();
        }
        let before = r.problems.len();
        for path in r.texts(&table, "bsdl", "bsdl = [\"../devices\"]") {
            if let Err(cause) = self.library.add(self.folder.join(path.text)) {
                r.report(path.span, cause);
            }
        }
        self.library.incomplete = r.problems.len() > before;
        r.text(&table, "harness", "harness = \"harness.csv\"")
    }

    fn read_tck(&mut self, root: &Table<'a>) {
        if let Some(value) = root.get("tck")
            && let Some(table) = self.reader.table("[tck]", value, &["max_hz"])
        {
            self.board.tck_max_hz =
                self.reader
                    .whole(&table, "max_hz", 1..=1_000_000_000, "max_hz = 6_000_000");
        }
    }

    /// Reports a name that a device, connector or socket already has.
    pub(super) fn unique(&mut self, what: &'static str, name: &Text<'a>) {
        let board = &self.board;
        let first = (board.device(name.text).map(|i| &board.devices[i.0].at))
            .or_else(|| {
                board
                    .connector(name.text)
                    .map(|i| &board.connectors[i.0].at)
            })
            .or_else(|| board.socket(name.text).map(|i| &board.sockets[i.0].at))
            .map(|at| at.line);
        if let Some(first) = first {
            self.reader.report(
                name.span.clone(),
                Cause::Twice {
                    what,
                    name: name.text.trim().into(),
                    first,
                },
            );
        }
    }

    /// The places that a text names, problems reported.
    pub(super) fn places(&mut self, text: &Text<'a>) -> Option<Vec<Place>> {
        self.board
            .places(text.text)
            .map_err(|cause| self.reader.report(text.span.clone(), cause))
            .ok()
    }

    /// As [`places`](Self::places), and each of them a pin.
    pub(super) fn pins(&mut self, text: &Text<'a>, help: &'static str) -> Option<Vec<Place>> {
        let places = self.places(text)?;
        self.all(
            text,
            places,
            |p| !p.is_rail() && *p != Place::Nothing,
            "a pin",
            help,
        )
    }

    /// As [`places`](Self::places), and exactly one pin.
    pub(super) fn pin(&mut self, text: &Text<'a>) -> Option<Place> {
        let place = self
            .board
            .place(text.text)
            .map_err(|cause| self.reader.report(text.span.clone(), cause))
            .ok()?;
        self.all(
            text,
            vec![place],
            |p| !p.is_rail() && *p != Place::Nothing,
            "a pin",
            "name a pin, such as U1.50",
        )?
        .pop()
    }

    pub(super) fn all(
        &mut self,
        text: &Text<'a>,
        places: Vec<Place>,
        fits: impl Fn(&Place) -> bool,
        expected: &'static str,
        help: &'static str,
    ) -> Option<Vec<Place>> {
        match places.iter().find(|p| !fits(p)) {
            Some(place) => {
                let cause = Cause::WrongPlace {
                    place: place.to_string(),
                    expected,
                    help,
                };
                self.reader.report(text.span.clone(), cause);
                None
            }
            None => Some(places),
        }
    }

    /// A file that a key names, relative to the board file, with its bytes.
    pub(super) fn file(
        &mut self,
        what: &'static str,
        text: &Text<'a>,
    ) -> Option<(PathBuf, Vec<u8>)> {
        let path = self.folder.join(text.text);
        match crate::files::read(&path) {
            Ok(bytes) => {
                self.board.files.push(path.clone());
                Some((path, bytes))
            }
            Err(e) => {
                let cause = Fault::Unreadable {
                    what,
                    path,
                    reason: reason(&e),
                    help: BESIDE,
                };
                self.reader.report(text.span.clone(), cause);
                None
            }
        }
    }
}

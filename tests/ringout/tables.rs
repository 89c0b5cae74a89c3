//! The published theory of codes on the simulated bench: all two-net shorts of a board, played with each sequence, and
//! what the answers tell.

use std::collections::{HashMap, HashSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use taploom::bits::Bits;
use taploom::board::Board;
use taploom::board::DeviceIndex;
use taploom::boundary::{Batch, Conditions, Guard, MachinePower, Pins, SampleLook};
use taploom::ringout::{Codes, Method, Sequence, Verdict};
use taploom::simulator::{Bench, BenchFile, Fault, FaultKind, ShortBehaviour, Spot};
use taploom::tap::{self, Op, PieceLimits, Register, ScanProgram, TapState};
use taploom::transport::Lowered;

use crate::weave::{Dice, Kind, device};
use crate::{extest, machine_off, on_bench, past_the_guard, picture};

/// A board with nets 1 to n: a driver on U1 and a listener on U2 each. With two spare listeners, nowhere drawn.
struct Nets {
    n: usize,
    board: Board,
    bench: BenchFile,
    /// Where each net's listener stands in a scan of the chain; bit 0 nearest TDO.
    ears: Vec<usize>,
    file: PathBuf,
}

impl Nets {
    fn new(n: usize, name: &str, max_switching: usize) -> Self {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("tables-{name}-{n}"));
        std::fs::create_dir_all(&folder).unwrap();
        let mut dice = Dice(n as u64);
        let kinds = [vec![Kind::Split; n + 2], vec![Kind::In; n + 2]];
        let mut board = String::from("[board]\nformat = 1\nname = \"tables\"\nbsdl = [\".\"]\n");
        for (d, kinds) in kinds.iter().enumerate() {
            std::fs::write(
                folder.join(format!("woven_{d}.bsd")),
                device(&mut dice, d, kinds),
            )
            .unwrap();
            writeln!(
                board,
                "[[device]]\nname = \"U{}\"\nentity = \"WOVEN_{d}\"",
                d + 1
            )
            .unwrap();
        }
        for k in 1..=n {
            writeln!(
                board,
                "[[wire]]\nlabel = \"W{k}\"\nfrom = \"U1.{k}\"\nto = \"U2.{k}\""
            )
            .unwrap();
        }
        writeln!(board, "[guard]\nmax_switching = {max_switching}").unwrap();
        std::fs::write(folder.join("board.toml"), board).unwrap();
        let file = folder.join("bench.toml");
        let fault = "[[fault]]\nkind = \"short\"\nwires = [\"W1\", \"W2\"]\n";
        std::fs::write(
            &file,
            format!("[bench]\nformat = 1\nboard = \"board.toml\"\nfloating = \"high\"\n{fault}"),
        )
        .unwrap();
        let board = Board::load(folder.join("board.toml")).unwrap();
        let listener = board.devices[1].bsdl.clone().unwrap();
        let ears = (1..=n)
            .map(|k| {
                let bit = board.devices[1].bit_of(&k.to_string()).unwrap();
                listener.pin_cells(bit).observer.unwrap().number as usize
            })
            .collect();
        Nets {
            n,
            board,
            bench: BenchFile::load(&file).unwrap(),
            ears,
            file,
        }
    }

    /// The bench with these pairs shorted.
    fn shorted(&self, pairs: &[[usize; 2]], behaviour: ShortBehaviour) -> BenchFile {
        let model = &self.bench.faults[0];
        let FaultKind::Short { on, .. } = &model.kind else {
            unreachable!("it was written above")
        };
        let Spot::Wire(name) = &on[0] else {
            unreachable!("it was written above")
        };
        let spot = |k: usize| {
            let mut name = name.clone();
            name.name = format!("W{k}");
            Spot::Wire(name)
        };
        let mut bench = self.bench.clone();
        bench.faults = (pairs.iter())
            .map(|pair| Fault {
                kind: FaultKind::Short {
                    on: pair.iter().map(|k| spot(*k)).collect(),
                    behaviour,
                },
                at: model.at.clone(),
            })
            .collect();
        bench
    }

    fn with_fault(&self, text: &str) -> BenchFile {
        std::fs::write(
            &self.file,
            format!("[bench]\nformat = 1\nboard = \"board.toml\"\nfloating = \"high\"\n{text}"),
        )
        .unwrap();
        BenchFile::load(&self.file).unwrap()
    }

    /// Drives all nets with their words at once and reads what each listener hears, one bit a vector.
    fn play(&self, bench: &BenchFile, codes: &Codes) -> Vec<Bits> {
        let simulated = Bench::build(bench, &self.board).unwrap();
        let mut port = Lowered::new(simulated);
        let pins = |v| -> Vec<(String, bool)> {
            let level = |k| (format!("U1.{}", k + 1), codes.level(k, v));
            (0..self.n).map(level).collect()
        };
        let images: Vec<Bits> = (0..codes.vectors())
            .map(|v| picture(&self.board, &[], &pins(v)))
            .collect();
        past_the_guard(&mut port, &extest(&self.board, &[], &pins(0)));
        let mut program = ScanProgram::new();
        // The player leaves the chain in Run-Test/Idle, the port does not know where it is.
        program.go(TapState::RunTestIdle);
        // The scan that brings a vector in takes the answer to the one before it out.
        let mut slots = Vec::new();
        for next in images[1..].iter().chain(images.last()) {
            slots.push(program.scan_dr_captured(next.clone(), TapState::RunTestIdle));
        }
        program.reset();
        let answers = tap::run(&mut port, program, PieceLimits::at(6_000_000)).unwrap();
        let heard = |ear: usize| {
            slots
                .iter()
                .map(|s| answers.get(*s).unwrap().get(ear))
                .collect()
        };
        self.ears.iter().map(|ear| heard(*ear)).collect()
    }
}

/// What the answers of all two-net shorts tell.
#[derive(Debug, PartialEq, Eq)]
struct Row {
    pairs: usize,
    detected: usize,
    cover: usize,
    alias: usize,
    stuck_like: usize,
    distinct: usize,
    unique: usize,
}

fn row(nets: &Nets, sequence: Sequence, behaviour: ShortBehaviour) -> Row {
    let codes = Codes::new(sequence, nets.n);
    let own: Vec<Bits> = (0..nets.n).map(|k| codes.word(k)).collect();
    let legal: HashSet<&Bits> = own.iter().collect();
    let mut times: HashMap<Bits, usize> = HashMap::new();
    let mut row = Row {
        pairs: 0,
        detected: 0,
        cover: 0,
        alias: 0,
        stuck_like: 0,
        distinct: 0,
        unique: 0,
    };
    for i in 0..nets.n {
        for j in 0..i {
            let bench = nets.shorted(&[[i + 1, j + 1]], behaviour);
            let heard = nets.play(&bench, &codes);
            // Both hear the same, and nobody else hears anything but its own word.
            assert_eq!(heard[i], heard[j]);
            assert!((0..nets.n).all(|k| k == i || k == j || heard[k] == own[k]));
            let answer = heard[i].clone();
            let both = answer == own[i] || answer == own[j];
            row.pairs += 1;
            row.detected += usize::from(heard[i] != own[i] || heard[j] != own[j]);
            row.cover += usize::from(both);
            row.alias += usize::from(!both && legal.contains(&answer));
            row.stuck_like += usize::from(answer.all(false) || answer.all(true));
            *times.entry(answer).or_insert(0) += 1;
        }
    }
    row.distinct = times.len();
    let unique =
        |(a, n): &(&Bits, &usize)| **n == 1 && !legal.contains(*a) && !a.all(false) && !a.all(true);
    row.unique = times.iter().filter(unique).count();
    row
}

/// Diagnostic resolution by enumeration of all two-net shorts, net k with number k: computed for the sequences of Goel and
/// McMahon 1982 (counting), Wagner 1987 (true/complement) and Hassan and others 1988 (walking ones), whose definitions are
/// from memory. Where either level wins the counts are the same, but for walking.
#[test]
fn two_net_shorts_answer_as_the_theory_says() {
    use Sequence::{
        ModifiedCounting as Counting, TrueComplement as Complement, WalkingOnes as Walking,
    };
    use ShortBehaviour::{WiredAnd as And, WiredOr as Or};
    let both = &[Or, And][..];
    // N, sequence, who wins; pairs, detected, cover, alias, stuck-like, distinct, unique.
    let rows = [
        (6, Counting, both, [15, 15, 6, 3, 6, 4, 0]),
        (6, Complement, both, [15, 15, 0, 0, 3, 13, 12]),
        (6, Walking, &[Or], [15, 15, 0, 0, 0, 15, 15]),
        (6, Walking, &[And], [15, 15, 0, 0, 15, 1, 0]),
        (14, Counting, both, [91, 91, 36, 30, 25, 11, 0]),
        (14, Complement, both, [91, 91, 0, 0, 7, 57, 36]),
        (14, Walking, &[Or], [91, 91, 0, 0, 0, 91, 91]),
        (30, Counting, both, [435, 435, 150, 195, 90, 26, 0]),
        (30, Complement, both, [435, 435, 0, 0, 15, 201, 90]),
        (62, Counting, &[Or], [1891, 1891, 540, 1050, 301, 57, 0]),
        (62, Complement, &[Or], [1891, 1891, 0, 0, 31, 653, 210]),
    ];
    let mut nets = Nets::new(6, "shorts", 8);
    for (n, sequence, behaviours, [pairs, detected, cover, alias, stuck_like, distinct, unique]) in
        rows
    {
        if nets.n != n {
            nets = Nets::new(n, "shorts", 8);
        }
        let expected = Row {
            pairs,
            detected,
            cover,
            alias,
            stuck_like,
            distinct,
            unique,
        };
        for behaviour in behaviours {
            assert_eq!(
                row(&nets, sequence, *behaviour),
                expected,
                "{n} {sequence} {behaviour:?}"
            );
        }
    }
}

/// A worked example of aliasing and confounding (Jarwala and Yau 1989 name them; from memory), 14 nets, 1 wins.
#[test]
fn the_worked_example_of_fourteen_nets() {
    let nets = Nets::new(14, "example", 8);
    let or = ShortBehaviour::WiredOr;
    let counting = Codes::new(Sequence::ModifiedCounting, 14);
    let complement = Codes::new(Sequence::TrueComplement, 14);
    let number = |bits: &Bits| bits.get_u64(0, 4);
    let halves = |bits: &Bits| [bits.get_u64(0, 4), bits.get_u64(4, 4)];
    // Nets 1 and 2 answer with net 3's word: is it in the short?
    let heard = nets.play(&nets.shorted(&[[1, 2]], or), &counting);
    assert_eq!([&heard[0], &heard[1], &heard[2]].map(number), [0b0011; 3]);
    let heard = nets.play(&nets.shorted(&[[1, 2]], or), &complement);
    assert_eq!([&heard[0], &heard[1]].map(halves), [[0b0011, 0b1111]; 2]);
    assert_eq!(halves(&heard[2]), [0b0011, 0b1100]);
    // Three pairs answer alike, and as net 7; two of them at once look like one short of four.
    for pair in [[1, 6], [2, 5], [3, 4]] {
        let bench = nets.shorted(&[pair], or);
        assert_eq!(number(&nets.play(&bench, &counting)[pair[0] - 1]), 0b0111);
        assert_eq!(
            halves(&nets.play(&bench, &complement)[pair[0] - 1]),
            [0b0111, 0b1111]
        );
    }
    let heard = nets.play(&nets.shorted(&[[1, 6], [2, 5]], or), &complement);
    assert!(
        [0, 5, 1, 4]
            .iter()
            .all(|k| halves(&heard[*k]) == [0b0111, 0b1111])
    );
    // One at a time they are not confounded.
    let told = |bench: &BenchFile| -> Vec<String> {
        let (result, _) = on_bench(Method::BothEnds, bench, &nets.board, &machine_off());
        let wires = result.unwrap().wires;
        let bad = wires.iter().filter(|w| w.verdict != Verdict::Good);
        bad.map(|w| {
            format!(
                "W{} {} {}",
                w.wire.0 + 1,
                w.verdict.as_str(),
                w.with.join(" ")
            )
            .trim_end()
            .into()
        })
        .collect()
    };
    let two = told(&nets.shorted(&[[1, 6], [2, 5]], or));
    assert_eq!(
        two,
        ["W1 short W6", "W2 short W5", "W5 short W2", "W6 short W1"]
    );

    // A stronger driver, net 5 over net 9, looks like net 9's listener on net 5; one driver at a time tells them apart.
    let strong = nets.shorted(&[[5, 9]], ShortBehaviour::Strong);
    let heard = nets.play(&strong, &counting);
    assert_eq!([&heard[4], &heard[8]].map(number), [5, 5]);
    assert_eq!(told(&strong), ["W5 short W9", "W9 short W5"]);
    let misplaced = nets.with_fault("[[fault]]\nkind = \"misplaced\"\nwire = \"W5\"\npin = \"U2.9\"\n[[fault]]\nkind = \"open\"\nwire = \"W9\"\n");
    assert_eq!(number(&nets.play(&misplaced, &counting)[8]), 5);
    assert_eq!(told(&misplaced), ["W5 misplaced U2.9", "W9 open"]);

    // Exchanged wires answer with each other's word: both legal.
    let swapped = nets.with_fault("[[fault]]\nkind = \"swap\"\nwires = [\"W5\", \"W9\"]\n");
    let heard = nets.play(&swapped, &counting);
    assert_eq!([&heard[4], &heard[8]].map(number), [9, 5]);
    // An open listener that rests high reads all ones, which is nobody's word.
    let open = nets.with_fault("[[fault]]\nkind = \"open\"\nwire = \"W5\"\n");
    assert_eq!(number(&nets.play(&open, &counting)[4]), 0b1111);
}

/// How many nets change at once (computed beside Hollmann, Marinissen and Vermeulen, ITC 2003, who limit it), and that no
/// update of a guarded batch changes more outputs than `max_switching` allows.
#[test]
fn no_update_changes_more_than_allowed() {
    for (n, limit) in [(14, 1), (14, 4), (14, 8), (30, 5), (30, 30)] {
        let nets = Nets::new(n, &format!("switching-{limit}"), limit);
        let pins = Pins::new(&nets.board, &[DeviceIndex(0), DeviceIndex(1)]).unwrap();
        let off = Conditions {
            machine: MachinePower::Off,
            ..Conditions::default()
        };
        let guard = Guard::new(&nets.board, &pins, off).unwrap();
        let mut port = Lowered::new(
            Bench::build(&nets.shorted(&[], ShortBehaviour::WiredOr), &nets.board).unwrap(),
        );
        let (look, program) = SampleLook::new(&pins, 4);
        let answers = tap::run(&mut port, program, PieceLimits::at(6_000_000)).unwrap();
        let still = look.judge(&nets.board, &answers).unwrap();
        let drivers: Vec<_> = (1..=n)
            .map(|k| {
                pins.find(
                    &nets
                        .board
                        .device_pin(DeviceIndex(0), &k.to_string())
                        .unwrap(),
                )
                .unwrap()
            })
            .collect();
        let codes = Codes::new(Sequence::ModifiedCounting, n);
        let mut batch = Batch::new(&guard, &still);
        for v in 0..codes.vectors() {
            let wanted: Vec<_> = drivers
                .iter()
                .enumerate()
                .map(|(k, pin)| (*pin, codes.level(k, v)))
                .collect();
            batch.vector(&guard.image(&wanted).unwrap());
        }
        let (program, _) = batch.finish();
        // A scan carries 16 bits of marker first; the outputs are read off the images by their cells.
        let scans: Vec<&Bits> = (program.ops().iter())
            .filter_map(|op| match op {
                Op::Shift(s) if s.register() == Register::Dr => Some(s.out()),
                _ => None,
            })
            .collect();
        let outputs = |scan: &Bits| -> Vec<Option<bool>> {
            let bit = |cell: usize| scan.get(scan.len() - pins.length() + cell);
            (drivers.iter())
                .map(|p| pins.get(*p).drive.unwrap())
                .map(|d| {
                    (bit(d.enable.unwrap().cell) != d.enable.unwrap().off).then(|| bit(d.cell))
                })
                .collect()
        };
        let changes: Vec<usize> = scans[..scans.len() - 1]
            .windows(2)
            .map(|w| {
                outputs(w[0])
                    .iter()
                    .zip(outputs(w[1]))
                    .filter(|(a, b)| **a != *b)
                    .count()
            })
            .collect();
        assert!(
            changes.iter().all(|c| *c <= limit),
            "{n} {limit}: {changes:?}"
        );
        assert_eq!(
            changes.len(),
            codes.updates(limit),
            "{n} {limit}: {changes:?}"
        );
        assert_eq!(
            changes.iter().sum::<usize>(),
            codes.switching().iter().sum::<usize>()
        );
        if limit >= n {
            assert_eq!(changes[1..], [16; 4]);
        }
    }
}

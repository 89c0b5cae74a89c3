//! Runs of scripts as JSON, as text, and as JUnit.

use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};
use serde_json::{Map, Value, json};

use crate::board::Board;
use crate::load::{LoadEnd, Loaded};
use crate::script::{EndKind, Loading, ScriptRun, Step, StepResult, StepVerdict};

use super::{
    Table, faults_of, finding_value, findings_lines, plural, read_value, ringout_fields,
    scan_fields, vectors_fields,
};

/// The fields of the document `taploom.run.v1`.
pub fn run_fields(script: &str, run: &ScriptRun, board: Option<&Board>) -> Value {
    let recorded: Map<String, Value> = (run.recorded.iter())
        .map(|(name, value)| (name.clone(), script_value(value)))
        .collect();
    json!({
        "script": script,
        "board": board.map(|b| b.name.clone()),
        "passed": run.passed(),
        "steps": run.steps.iter().map(|s| step_value(s, board)).collect::<Vec<_>>(),
        "counts": counts(run),
        "ended": run.end.as_ref().map(|end| json!({
            "kind": end_kind(end.kind), "message": end.told(),
            "help": Some(&end.help).filter(|h| !h.is_empty()),
        })),
        "recorded": recorded,
        "wall_seconds": run.wall_seconds,
    })
}

fn counts(run: &ScriptRun) -> Value {
    let count = |v| run.steps.iter().filter(|s| s.verdict == v).count();
    json!({
        "passed": count(StepVerdict::Passed),
        "failed": count(StepVerdict::Failed),
        "not_done": count(StepVerdict::NotDone),
    })
}

fn end_kind(kind: EndKind) -> &'static str {
    match kind {
        EndKind::Finding => "finding",
        EndKind::Input => "script",
        EndKind::Port => "chain",
        EndKind::Refused => "refused",
        EndKind::Stopped(_) => "stopped",
    }
}

fn step_value(step: &Step, board: Option<&Board>) -> Value {
    json!({
        "number": step.number,
        "function": step.function,
        "title": step.title,
        "line": step.line,
        "verdict": step.verdict.as_str(),
        "says": step.says,
        "seconds": step.seconds,
        "result": result_value(&step.result, board),
    })
}

fn result_value(result: &StepResult, board: Option<&Board>) -> Value {
    match (result, board) {
        (StepResult::None, _) => Value::Null,
        (StepResult::Scan(scanned), board) => scan_fields(scanned, board),
        (StepResult::RingOut(rung), Some(board)) => ringout_fields(rung, board),
        (StepResult::RingOut(_), None) => Value::Null,
        (StepResult::Load(loading), _) => loading_value(loading),
        (StepResult::Play { file, played }, _) => json!({
            "file": file,
            "compares": played.compares,
            "mismatches": played.mismatches.len(),
            "bits_shifted": played.bits_shifted,
            "tck_cycles": played.tck_cycles,
        }),
        (StepResult::Driven(levels), _) => json!({
            "driven": levels.iter().map(|(name, level)| json!({
                "name": name, "level": Some(level).filter(|l| !l.is_empty()),
            })).collect::<Vec<_>>(),
        }),
        (StepResult::Read(reads), _) => {
            json!({ "sensed": reads.iter().map(read_value).collect::<Vec<_>>() })
        }
        (StepResult::Vectors { file, run }, Some(board)) => vectors_fields(board, file, run),
        (StepResult::Vectors { .. }, None) => Value::Null,
        (StepResult::Value(value), _) => script_value(value),
    }
}

fn loading_value(loading: &Loading) -> Value {
    let counts = |l: &Loaded| {
        json!({
            "bits_shifted": l.counts.bits_shifted,
            "payload_bits": l.counts.payload_bits,
            "tck_cycles": l.counts.tck_cycles,
            "seconds": l.counts.seconds,
            "verified": l.verified,
        })
    };
    let done = |l: &Loaded| l.end == LoadEnd::Done;
    json!({
        "device": loading.device,
        "image": loading.image,
        "loaded": loading.loaded.as_ref().is_some_and(done),
        "counts": loading.loaded.as_ref().map(counts),
        "findings": loading.finding.iter().map(finding_value).collect::<Vec<_>>(),
    })
}

fn script_value(value: &crate::script::Value) -> Value {
    use crate::script::Value as V;
    match value {
        V::Nothing => Value::Null,
        V::Bool(b) => json!(b),
        V::Int(n) => json!(n),
        V::Float(x) => json!(x),
        V::Text(text) => json!(text),
        V::List(list) => list.iter().map(script_value).collect(),
        V::Map(map) => {
            let entries = map.iter().map(|(k, v)| (k.clone(), script_value(v)));
            Value::Object(entries.collect())
        }
    }
}

/// A step as one line, as it is shown when it ends.
pub fn step_line(step: &Step) -> String {
    let says = match step.brief.is_empty() {
        true => String::new(),
        false => format!(": {}", step.brief),
    };
    format!(
        "{:>3}  {:<8}  {:>9}  {}{says}",
        step.number,
        step.verdict.as_str(),
        time(step.seconds),
        step.title
    )
}

fn time(seconds: f64) -> String {
    match seconds {
        s if s < 0.0005 => "0 ms".to_owned(),
        s if s < 1.0 => format!("{:.0} ms", s * 1e3),
        s => format!("{s:.1} s"),
    }
}

/// The summary at the end of a run: where it stopped, what is wrong, how to mend it.
pub fn run_text(script: &str, run: &ScriptRun, board: Option<&Board>) -> String {
    let seconds: f64 = run.steps.iter().map(|s| s.seconds).sum();
    let steps = plural(run.steps.len(), "step");
    let passed = run
        .steps
        .iter()
        .filter(|s| s.verdict == StepVerdict::Passed);
    let mut lines = vec![String::new()];
    lines.push(match run.passed() {
        true => format!("{script}: {steps}, all passed, {}", time(seconds)),
        false => format!(
            "{script}: {steps}, {} passed, {}",
            passed.count(),
            time(seconds)
        ),
    });
    if let Some(end) = &run.end {
        // What a failed step says stands in its own line, and its faults stand below.
        match run
            .steps
            .last()
            .filter(|s| s.verdict == StepVerdict::Failed)
        {
            Some(step) => lines.push(format!("stopped at step {}, {}", step.number, end.at)),
            None => lines.push(format!("stopped: {}: {}", end.at, end.message)),
        }
        if !end.source.is_empty() {
            lines.push(end.source.clone());
        }
        if !end.help.is_empty() {
            lines.push(format!("mend: {}", end.help));
        }
    }
    for step in run
        .steps
        .iter()
        .filter(|s| s.verdict == StepVerdict::Failed)
    {
        lines.extend(faults(step, board));
    }
    if run.first_bad().is_some() && !run.recorded.is_empty() {
        lines.push(String::new());
    }
    for (name, value) in &run.recorded {
        lines.push(format!("recorded: {name} = {value}"));
    }
    lines.join("\n") + "\n"
}

/// What is wrong by a failed step, fault by fault with the mend, where the step tells of several.
fn faults(step: &Step, board: Option<&Board>) -> Vec<String> {
    match (&step.result, board) {
        (StepResult::RingOut(rung), Some(board)) => faults_of(rung, board),
        (StepResult::Scan(scanned), _) => match &scanned.comparison {
            Some(comparison) => findings_lines(&comparison.findings),
            None => findings_lines(&scanned.found.findings()),
        },
        (StepResult::Load(loading), _) => {
            let found: Vec<_> = loading.finding.iter().cloned().collect();
            findings_lines(&found)
        }
        _ => Vec::new(),
    }
}

/// A run as a JUnit document: one test suite, one test case a step.
///
/// # Errors
/// The document cannot be written.
pub fn junit(script: &str, run: &ScriptRun) -> Result<String, String> {
    let mut suite = TestSuite::new(script);
    for step in &run.steps {
        let mut status = match step.verdict {
            StepVerdict::Passed => TestCaseStatus::success(),
            StepVerdict::Failed => TestCaseStatus::non_success(NonSuccessKind::Failure),
            StepVerdict::NotDone => TestCaseStatus::non_success(NonSuccessKind::Error),
        };
        if step.verdict != StepVerdict::Passed {
            status.set_message(step.says.as_str());
        }
        let mut case = TestCase::new(format!("{} {}", step.number, step.title), status);
        case.set_classname(step.function);
        case.set_time(std::time::Duration::from_secs_f64(step.seconds.max(0.0)));
        if step.verdict == StepVerdict::Passed && !step.says.is_empty() {
            case.set_system_out(step.says.as_str());
        }
        suite.add_test_case(case);
    }
    // What ended the script outside of any step is a case of its own, so that no failure goes unseen.
    let told = run.first_bad().is_some();
    if let Some(end) = run.end.as_ref().filter(|_| !told) {
        let mut status = TestCaseStatus::non_success(NonSuccessKind::Error);
        status.set_message(end.told());
        suite.add_test_case(TestCase::new("script", status));
    }
    let mut report = Report::new("taploom");
    report.add_test_suite(suite);
    report.to_string().map_err(|e| e.to_string())
}

/// How often each step passed over many runs.
#[derive(Debug, Clone, Default)]
pub struct RunStatistics {
    /// Runs.
    pub runs: u64,
    /// Runs that passed.
    pub passed: u64,
    /// Steps by function and title, in the order in which they first came up.
    steps: Vec<StepStatistics>,
}

#[derive(Debug, Clone)]
struct StepStatistics {
    title: String,
    passed: u64,
    failed: u64,
    least: f64,
    most: f64,
    sum: f64,
    /// What the first failure said, and in which run.
    first: Option<(u64, String)>,
}

/// Titles that are told apart; a script that makes up ever new ones is counted as a whole beyond that.
const MOST_TITLES: usize = 1000;

impl RunStatistics {
    /// Takes one more run.
    pub fn take(&mut self, run: &ScriptRun) {
        self.runs += 1;
        self.passed += u64::from(run.passed());
        for step in &run.steps {
            let at = self.steps.iter().position(|s| s.title == step.title);
            let at = match at {
                Some(at) => at,
                None if self.steps.len() < MOST_TITLES => {
                    self.steps.push(StepStatistics {
                        title: step.title.clone(),
                        passed: 0,
                        failed: 0,
                        least: f64::INFINITY,
                        most: 0.0,
                        sum: 0.0,
                        first: None,
                    });
                    self.steps.len() - 1
                }
                None => continue,
            };
            let counted = &mut self.steps[at];
            match step.verdict {
                StepVerdict::Passed => counted.passed += 1,
                _ => {
                    counted.failed += 1;
                    let runs = self.runs;
                    counted
                        .first
                        .get_or_insert_with(|| (runs, step.says.clone()));
                }
            }
            counted.least = counted.least.min(step.seconds);
            counted.most = counted.most.max(step.seconds);
            counted.sum += step.seconds;
        }
    }

    /// As JSON.
    pub fn value(&self) -> Value {
        json!({
            "runs": self.runs,
            "passed": self.passed,
            "failed": self.runs - self.passed,
            "steps": self.steps.iter().map(|s| json!({
                "title": s.title,
                "passed": s.passed,
                "failed": s.failed,
                "seconds_least": s.least,
                "seconds_mean": s.sum / (s.passed + s.failed) as f64,
                "seconds_most": s.most,
                "first_failure": s.first.as_ref().map(|(run, says)| json!({ "run": run, "says": says })),
            })).collect::<Vec<_>>(),
        })
    }

    /// As a table.
    pub fn text(&self) -> String {
        let failed = self.runs - self.passed;
        let mut lines = vec![
            String::new(),
            format!(
                "{}, {} passed, {failed} failed",
                plural(self.runs as usize, "run"),
                self.passed
            ),
        ];
        let mut table = Table::new(&["step", "passed", "failed", "least", "mean", "most"]);
        for s in &self.steps {
            table.row([
                s.title.clone(),
                s.passed.to_string(),
                s.failed.to_string(),
                time(s.least),
                time(s.sum / (s.passed + s.failed) as f64),
                time(s.most),
            ]);
        }
        lines.extend(table.lines());
        for s in &self.steps {
            if let Some((run, says)) = &s.first {
                lines.push(format!("  {} first failed in run {run}: {says}", s.title));
            }
        }
        lines.join("\n") + "\n"
    }
}

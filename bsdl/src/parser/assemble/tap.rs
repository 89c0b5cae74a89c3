//! The test access port, compliance patterns, RUNBIST and INTEST.

use super::super::draft::Value;
use super::super::inner::{execution, ports};
use super::Assembly;
use crate::model::{Compliance, Halt, IntestExecution, RunbistExecution};
use crate::names::Name;
use crate::rules;
use crate::span::Span;

impl Assembly<'_, '_, '_> {
    pub(super) fn tap(&mut self) {
        const NAMES: [&str; 5] = [
            "TAP_SCAN_IN",
            "TAP_SCAN_OUT",
            "TAP_SCAN_MODE",
            "TAP_SCAN_CLOCK",
            "TAP_SCAN_RESET",
        ];
        let mut found = [None; 5];
        let mut clock = None;
        for (i, name) in NAMES.into_iter().enumerate() {
            let Some(attribute) = self.attribute(name) else {
                continue;
            };
            self.places.tap[i] = Some(attribute.target);
            if i == 3 {
                clock = Some(&attribute.value);
            }
            match &attribute.value {
                Value::Clock { .. } if i == 3 => {}
                Value::Word if i != 3 && self.is(attribute.span, "true") => {}
                other => {
                    let expected = if i == 3 {
                        "(rate, LOW or BOTH)"
                    } else {
                        "true"
                    };
                    self.wrong_value(attribute.span, name, expected, other.kind());
                }
            }
            let target = attribute.target;
            match self.ports.get(&Name(self.slice(target))) {
                Some(&port) if self.device.ports[port as usize].range.is_none() => {
                    found[i] = Some(port)
                }
                Some(&port) => {
                    let port = &self.device.ports[port as usize];
                    let message = format!("{name} is {}, which is a vector", port.name);
                    self.report
                        .add(&rules::TAP_PORT, target, message)
                        .also(port.span, "declared here");
                }
                None if self.broken.contains_key(&Name(self.slice(target))) => {}
                None => {
                    let shown = self.string(target);
                    let help = self.port_help(&shown);
                    let message = format!("{name} is {shown}, but there is no such port");
                    self.report
                        .add(&rules::TAP_PORT, target, message)
                        .help(help);
                }
            }
        }
        let tap = &mut self.device.tap;
        [tap.tdi, tap.tdo, tap.tms, tap.tck, tap.trst] = found;
        if let (Some(_), Some(Value::Clock { hz, halt })) = (found[3], clock) {
            self.clock(*hz, *halt);
        }
    }

    fn clock(&mut self, hz: Span, halt: Span) {
        let digits: String = self.string(hz).chars().filter(|c| *c != '_').collect();
        match digits.parse::<f64>() {
            Ok(rate) if rate > 0.0 && rate.is_finite() => self.device.tap.max_hz = Some(rate),
            _ => {
                self.report.add(
                    &rules::TCK_RATE,
                    hz,
                    format!("the TCK rate is {digits}, expected more than zero"),
                );
            }
        }
        self.device.tap.halt = if self.is(halt, "LOW") {
            Some(Halt::Low)
        } else if self.is(halt, "BOTH") {
            Some(Halt::Both)
        } else {
            let message = format!(
                "TCK may stop at {}, expected LOW or BOTH",
                self.string(halt)
            );
            self.report.add(&rules::TCK_HALT, halt, message);
            Some(Halt::Low)
        };
    }

    pub(super) fn compliance(&mut self) {
        let Some(frame) = self.text("COMPLIANCE_PATTERNS") else {
            return;
        };
        let mut read = None;
        frame.items(
            self.report,
            ports::compliance,
            |_| false,
            |_, value, _| read = Some(value),
            |_| {},
        );
        let Some((named, patterns)) = read else {
            return;
        };
        let count = named.len();
        let mut bits = Vec::with_capacity(count);
        for (name, index, piece) in named {
            let named = (name, index, frame.span(piece));
            bits.extend(self.bit(
                named,
                false,
                &rules::COMPLIANCE_PORT,
                &rules::COMPLIANCE_PORT,
            ));
        }
        for pattern in patterns.iter().filter(|p| p.len() != count) {
            let message = format!(
                "the pattern {pattern} has {} characters for {count} ports",
                pattern.len()
            );
            self.report
                .add(&rules::COMPLIANCE_WIDTH, frame.joined.span, message);
        }
        if bits.len() == count {
            self.device.compliance = Some(Compliance {
                ports: bits,
                patterns,
                span: frame.joined.span,
            });
        }
    }

    pub(super) fn executions(&mut self) {
        self.device.runbist = self.execution("RUNBIST_EXECUTION");
        self.device.intest = self.execution("INTEST_EXECUTION").map(|e| IntestExecution {
            wait: e.wait,
            observing: e.observing,
            span: e.span,
        });
    }

    fn execution(&mut self, name: &'static str) -> Option<RunbistExecution> {
        let frame = self.text(name)?;
        let (mut wait, mut observing, mut expect) = (Vec::new(), None, None);
        let places = &mut self.places;
        frame.items(
            self.report,
            execution::clause,
            execution::starts,
            |_, clause, _| match clause {
                execution::Clause::Wait(waits) => {
                    for (one, piece) in waits {
                        places.waits.push((one.clone(), frame.span(piece)));
                        wait.push(one);
                    }
                }
                execution::Clause::Observing(what) => observing = Some(what),
                execution::Clause::Expect(pattern, piece) => {
                    places.expect = frame.span(piece);
                    expect = Some(pattern);
                }
            },
            |_| {},
        );
        Some(RunbistExecution {
            wait,
            observing,
            expect,
            span: frame.joined.span,
        })
    }
}

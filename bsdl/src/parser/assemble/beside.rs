//! Attributes of 1149.6 and 1532.

use super::super::cursor::latin;
use super::super::draft::Value;
use super::super::inner::{Frame, beside, lists};
use super::Assembly;
use crate::model::{AcPin, AcTest, PinBehavior, SystemConfiguration};
use crate::rules;

impl<'a> Assembly<'a, '_, '_> {
    /// The first string given for this name, as among the extensions; faults in it are only warnings.
    pub(super) fn beside_text(&self, name: &'static str) -> Option<Frame<'a>> {
        let named = self
            .draft
            .attributes
            .iter()
            .filter(|a| self.is(a.name, name));
        let joined = named.filter_map(|a| match &a.value {
            Value::Text(joined) => Some(joined),
            _ => None,
        });
        let rule = &rules::INNER_BESIDE;
        joined
            .take(1)
            .map(|joined| Frame {
                joined,
                place: name,
                rule,
            })
            .next()
    }

    /// A value of one word or two, as spelt.
    fn words(&self, name: &'static str) -> Option<String> {
        self.beside_text(name)
            .map(|frame| latin(frame.text().trim_ascii()))
    }

    pub(super) fn ac_test(&mut self) {
        let mut ac = AcTest {
            conformance: self.words("AIO_COMPONENT_CONFORMANCE"),
            ..AcTest::default()
        };
        if let Some(frame) = self.beside_text("AIO_EXTEST_PULSE_EXECUTION") {
            let none = |_: &[u8]| false;
            frame.items(
                self.report,
                beside::pulse,
                none,
                |_, waits, _| ac.pulse.extend(waits.into_iter().map(|w| w.0)),
                |_| {},
            );
        }
        if let Some(frame) = self.beside_text("AIO_EXTEST_TRAIN_EXECUTION") {
            frame.items(
                self.report,
                beside::train,
                |_| false,
                |_, train, _| ac.train = Some(train),
                |_| {},
            );
        }
        if let Some(frame) = self.beside_text("AIO_PIN_BEHAVIOR") {
            let mut all = Vec::new();
            frame.runs(self.report, beside::behaviour, |one| all.push(one));
            for (ports, properties) in all {
                for ((name, index, piece), cell) in ports {
                    let span = frame.span(piece);
                    let named = (name, index, span);
                    let Some(port) =
                        self.bit(named, true, &rules::BESIDE_PORT, &rules::BESIDE_PORT)
                    else {
                        continue;
                    };
                    let mut pin = AcPin {
                        port,
                        cell,
                        high_pass_seconds: None,
                        low_pass_seconds: None,
                        on_chip: false,
                        ac_select: None,
                        span,
                    };
                    for property in &properties {
                        match *property {
                            beside::Property::HighPass(seconds) => {
                                pin.high_pass_seconds = Some(seconds)
                            }
                            beside::Property::LowPass(seconds) => {
                                pin.low_pass_seconds = Some(seconds)
                            }
                            beside::Property::OnChip => pin.on_chip = true,
                            beside::Property::AcSelect(cell) => pin.ac_select = Some(cell),
                        }
                    }
                    ac.pins.push(pin);
                }
            }
        }
        if ac != AcTest::default() {
            self.device.ac_test = Some(ac);
        }
    }

    pub(super) fn system_configuration(&mut self) {
        let mut isc = SystemConfiguration {
            conformance: self.words("ISC_CONFORMANCE"),
            ..SystemConfiguration::default()
        };
        if let Some(frame) = self.beside_text("ISC_PIN_BEHAVIOR") {
            let word = frame.text().trim_ascii();
            isc.pin_behavior = match word {
                w if w.eq_ignore_ascii_case(b"HIGHZ") => Some(PinBehavior::HighZ),
                w if w.eq_ignore_ascii_case(b"CLAMP") => Some(PinBehavior::Clamp),
                other => {
                    let message = format!(
                        "ISC_PIN_BEHAVIOR is {:?}, expected HIGHZ or CLAMP",
                        latin(other)
                    );
                    self.report
                        .add(&rules::INNER_BESIDE, frame.joined.span, message);
                    None
                }
            };
        }
        if let Some(frame) = self.beside_text("ISC_FIXED_SYSTEM_PINS") {
            let mut all = Vec::new();
            frame.items(
                self.report,
                beside::port,
                beside::starts,
                |_, port, _| all.push(port),
                |_| {},
            );
            for (name, index, piece) in all {
                let named = (name, index, frame.span(piece));
                isc.fixed_pins.extend(self.bit(
                    named,
                    true,
                    &rules::BESIDE_PORT,
                    &rules::BESIDE_PORT,
                ));
            }
        }
        if let Some(status) = self.words("ISC_STATUS") {
            isc.status = Some(!status.to_ascii_uppercase().starts_with("NOT"));
        }
        if let Some(frame) = self.beside_text("ISC_BLANK_USERCODE") {
            let code = &mut isc.blank_usercode;
            frame.items(
                self.report,
                lists::only_pattern,
                |_| false,
                |_, (pattern, _), _| *code = Some(pattern),
                |_| {},
            );
        }
        if let Some(frame) = self.beside_text("ISC_SECURITY") {
            let all = &mut isc.security;
            let sink = |_: &mut crate::report::Report<'_>, (what, bit): (&[u8], u32), _: &[u8]| {
                all.push((latin(what), bit))
            };
            frame.items(
                self.report,
                beside::security,
                beside::starts_security,
                sink,
                |_| {},
            );
        }
        if let Some(frame) = self.beside_text("ISC_ILLEGAL_EXIT") {
            let all = &mut isc.illegal_exit;
            frame.items(
                self.report,
                lists::only_name,
                lists::starts_name,
                |_, name, _| all.push(latin(name)),
                |_| {},
            );
        }
        if let Some(frame) = self.beside_text("ISC_DESIGN_WARNING") {
            let message = format!("the maker warns: {}", latin(frame.text()).trim());
            self.report
                .add(&rules::WARNING_TEXT, frame.joined.span, String::new())
                .whole(message);
        }
        self.flows(&mut isc);
        if isc != SystemConfiguration::default() {
            self.device.system_configuration = Some(isc);
        }
    }
}

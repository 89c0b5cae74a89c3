//! What standards beside 1149.1 add: AC-coupled nets (1149.6) and configuration in the system (1532). Both from memory:
//! a value that cannot be read is told as a warning and kept as text among the extensions.

use super::{Action, Flow, Pattern, PortBit, Procedure, Wait};
use crate::span::Span;

/// The AIO attributes of IEEE 1149.6.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AcTest {
    /// The edition that AIO_COMPONENT_CONFORMANCE claims, as spelt.
    #[doc(alias = "AIO_COMPONENT_CONFORMANCE")]
    pub conformance: Option<String>,
    /// How long EXTEST_PULSE stays in Run-Test/Idle.
    #[doc(alias = "AIO_EXTEST_PULSE_EXECUTION")]
    pub pulse: Vec<Wait>,
    /// How EXTEST_TRAIN is run.
    #[doc(alias = "AIO_EXTEST_TRAIN_EXECUTION")]
    pub train: Option<AcTrain>,
    /// AC pins.
    #[doc(alias = "AIO_PIN_BEHAVIOR")]
    pub pins: Vec<AcPin>,
}

/// How EXTEST_TRAIN is run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AcTrain {
    /// Transitions in a train.
    pub pulses: u32,
    /// The longest time that a train may take, in seconds.
    pub max_seconds: Option<f64>,
}

/// One pin of an AC-coupled net.
#[derive(Debug, Clone, PartialEq)]
pub struct AcPin {
    /// The port; without index where a whole vector is meant.
    pub port: PortBit,
    /// The boundary cell of its test receiver, where it is named.
    pub cell: Option<u32>,
    /// Time constant of the high-pass coupling, in seconds.
    pub high_pass_seconds: Option<f64>,
    /// Time constant of the low-pass filter, in seconds.
    pub low_pass_seconds: Option<f64>,
    /// True if the coupling is inside the part.
    pub on_chip: bool,
    /// The cell that chooses between AC and DC behaviour.
    pub ac_select: Option<u32>,
    /// Where the pin is named.
    pub span: Span,
}

/// The ISC attributes of IEEE 1532.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SystemConfiguration {
    /// The edition that ISC_CONFORMANCE claims, as spelt.
    #[doc(alias = "ISC_CONFORMANCE")]
    pub conformance: Option<String>,
    /// What the pins do while the part is being configured.
    #[doc(alias = "ISC_PIN_BEHAVIOR")]
    pub pin_behavior: Option<PinBehavior>,
    /// Pins that keep their work while the part is being configured.
    #[doc(alias = "ISC_FIXED_SYSTEM_PINS")]
    pub fixed_pins: Vec<PortBit>,
    /// True if the status bits are in the part.
    #[doc(alias = "ISC_STATUS")]
    pub status: Option<bool>,
    /// What USERCODE reads from a blank part.
    #[doc(alias = "ISC_BLANK_USERCODE")]
    pub blank_usercode: Option<Pattern>,
    /// Security bits: what each forbids, as spelt (such as DISABLE_READ), and its bit.
    #[doc(alias = "ISC_SECURITY")]
    pub security: Vec<(String, u32)>,
    /// Instructions from which the part must not be taken directly.
    #[doc(alias = "ISC_ILLEGAL_EXIT")]
    pub illegal_exit: Vec<String>,
    /// Flows of steps.
    #[doc(alias = "ISC_FLOW")]
    pub flows: Vec<Flow>,
    /// Procedures of flows.
    #[doc(alias = "ISC_PROCEDURE")]
    pub procedures: Vec<Procedure>,
    /// Actions of procedures.
    #[doc(alias = "ISC_ACTION")]
    pub actions: Vec<Action>,
}

impl SystemConfiguration {
    pub(super) fn clear_spans(&mut self) {
        let none = Span::default();
        for flow in &mut self.flows {
            flow.span = none;
            let steps = flow.blocks.iter_mut().flat_map(|b| &mut b.steps);
            steps.for_each(|s| s.span = none);
        }
        self.procedures.iter_mut().for_each(|p| p.span = none);
        self.actions.iter_mut().for_each(|a| a.span = none);
    }
}

/// What pins do while a part is being configured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PinBehavior {
    /// They float.
    HighZ,
    /// They hold what the boundary register says.
    Clamp,
}

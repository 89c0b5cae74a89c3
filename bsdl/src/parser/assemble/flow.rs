//! Flows, procedures and actions of 1532.

use super::super::cursor::latin;
use super::super::inner::flow;
use super::Assembly;
use crate::model::{
    Action, ActionStep, DataField, DataName, Flow, FlowBlock, FlowStep, Procedure,
    SystemConfiguration,
};

impl Assembly<'_, '_, '_> {
    pub(super) fn flows(&mut self, isc: &mut SystemConfiguration) {
        if let Some(frame) = self.beside_text("ISC_FLOW") {
            let fields = |all: Vec<flow::Data<'_>>| {
                let all = all.into_iter().map(|(width, data)| DataField {
                    width,
                    data: latin(data),
                });
                all.collect()
            };
            let step = |step: flow::Step<'_>| FlowStep {
                instruction: latin(step.instruction),
                updates: fields(step.updates),
                wait: step.wait,
                captures: fields(step.captures),
                span: frame.span(step.instruction),
            };
            let all = &mut isc.flows;
            frame.items(
                self.report,
                flow::flow,
                flow::starts_flow,
                |_, (name, words, blocks), _| {
                    let blocks = blocks.into_iter().map(|(kind, steps)| FlowBlock {
                        kind,
                        steps: steps.into_iter().map(step).collect(),
                    });
                    all.push(Flow {
                        blocks: blocks.collect(),
                        words: words.into_iter().map(latin).collect(),
                        span: frame.span(name.0),
                        name: named(name),
                    });
                },
                |_| {},
            );
        }
        if let Some(frame) = self.beside_text("ISC_PROCEDURE") {
            let all = &mut isc.procedures;
            frame.items(
                self.report,
                flow::procedure,
                flow::starts,
                |_, (name, flows), _| {
                    all.push(Procedure {
                        span: frame.span(name.0),
                        name: named(name),
                        flows: flows.into_iter().map(named).collect(),
                    })
                },
                |_| {},
            );
        }
        if let Some(frame) = self.beside_text("ISC_ACTION") {
            let all = &mut isc.actions;
            frame.items(
                self.report,
                flow::action,
                flow::starts,
                |_, (name, words, procedures), _| {
                    let procedures = procedures.into_iter().map(|(name, words)| ActionStep {
                        procedure: named(name),
                        words: words.into_iter().map(latin).collect(),
                    });
                    all.push(Action {
                        procedures: procedures.collect(),
                        words: words.into_iter().map(latin).collect(),
                        span: frame.span(name.0),
                        name: named(name),
                    });
                },
                |_| {},
            );
        }
    }
}

fn named((name, data): flow::Named<'_>) -> DataName {
    DataName {
        name: latin(name),
        data: data.map(latin),
    }
}

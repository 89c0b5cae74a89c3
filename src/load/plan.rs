//! A recipe held against a device and a chain: every name resolved, every length checked, before anything is sent.

use taploom_bsdl::Device;

use crate::bits::Bits;
use crate::boundary::{Clamp, Wanted, drives, harmless};
use crate::tables::{Fault, Location, nearest};
use crate::tap::{ChainLayout, Instructions};

use super::error::{RecipeError, RecipeFault, RecipeProblem};
use super::recipe::{Data, Others, Recipe, StatusFrom, Step, StepAction};

/// Where a load goes.
#[derive(Debug, Clone, Copy)]
pub struct Target<'a> {
    /// The device's name on the board, for messages.
    pub name: &'a str,
    /// Its place on the chain, 0 first after TDI.
    pub place: usize,
    /// Its description.
    pub device: &'a Device,
    /// Instruction register lengths of the chain.
    pub layout: &'a ChainLayout,
    /// The descriptions of all devices of the chain, TDI to TDO, where they are known; for recipes that want the others'
    /// outputs to float. An empty slice counts as none known.
    pub chain: &'a [Option<&'a Device>],
    /// What holds the other devices, for recipes that want them in CLAMP; without it they stay in BYPASS.
    pub clamp: Option<&'a Clamp>,
}

/// A status word with its scan resolved.
#[derive(Debug, Clone)]
pub(super) struct PlannedStatus {
    /// The instruction scan that selects it.
    pub(super) ir: Instructions,
    /// Its length.
    pub(super) bits: usize,
}

/// A step with its scans resolved.
#[derive(Debug, Clone)]
pub(super) struct PlannedStep {
    pub(super) step: Step,
    /// The instruction scan to begin with.
    pub(super) ir: Option<Instructions>,
}

/// A recipe, resolved for one device of one chain.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub(super) load: Vec<PlannedStep>,
    pub(super) verify: Vec<PlannedStep>,
    pub(super) exit: Vec<PlannedStep>,
    pub(super) status: Vec<PlannedStatus>,
    /// Devices between TDI and the target, and between the target and TDO.
    pub(super) before: usize,
    pub(super) after: usize,
    /// Where the target's and each device's instruction stands.
    pub(super) layout: ChainLayout,
    pub(super) place: usize,
    /// Scans that come after each reset: what CLAMP is to hold.
    pub(super) preload: Option<(Instructions, Bits)>,
}

impl Recipe {
    /// What it is for: entities, and IDCODEs in words.
    pub fn for_words(&self) -> Vec<String> {
        let codes = self.idcodes.iter().map(|c| format!("IDCODE {c}"));
        self.entities.iter().cloned().chain(codes).collect()
    }

    /// Holds the recipe against a device's description: its entity, every instruction, every length.
    ///
    /// # Errors
    /// [`RecipeError`] with everything that does not fit, by the line of the step or status word.
    pub fn check(&self, device: &Device) -> Result<(), RecipeError> {
        let mut problems = Vec::new();
        if !self.is_for_device(device) {
            problems.push(RecipeProblem {
                at: Location::whole(&self.path),
                cause: RecipeFault::OtherEntity {
                    entity: device.entity.clone(),
                    known: self.for_words(),
                },
            });
        }
        for opcode in &self.opcodes {
            let mut fault = |cause: RecipeFault| {
                let at = opcode.at.clone();
                problems.push(RecipeProblem { at, cause });
            };
            if opcode.code.len() != device.instruction_length as usize {
                fault(
                    Fault::BadValue {
                        key: opcode.name.clone(),
                        found: format!("\"{}\"", opcode.code.to_binary()),
                        expected: format!(
                            "the {} bits of an instruction of {}",
                            device.instruction_length, device.entity
                        ),
                        near: None,
                    }
                    .into(),
                );
            } else if let Some(named) = device.instruction(&opcode.name) {
                let code: Vec<bool> = opcode.code.iter().collect();
                if !named.opcodes.iter().any(|o| o.matches(&code)) {
                    fault(RecipeFault::OtherOpcode {
                        name: opcode.name.clone(),
                        found: opcode.code.to_binary(),
                        expected: named
                            .opcodes
                            .first()
                            .map_or(String::new(), |o| o.to_string()),
                        entity: device.entity.clone(),
                    });
                }
            }
        }
        for word in &self.status {
            let mut fault = |cause: RecipeFault| {
                let at = word.at.clone();
                problems.push(RecipeProblem { at, cause });
            };
            let what = format!("status {}", word.name);
            if let Some(cause) = no_use(self, device, &word.instruction) {
                fault(cause);
                continue;
            }
            let length = match word.from {
                StatusFrom::InstructionCapture => Some((
                    device.instruction_length,
                    "the instruction register".to_owned(),
                )),
                StatusFrom::Register => register_of(device, &word.instruction),
            };
            if let (Some((expected, register)), Some(found)) = (&length, word.bits)
                && *expected as usize != found
            {
                let (expected, register) = (*expected, register.clone());
                let instruction = word.instruction.clone();
                let entity = device.entity.clone();
                fault(RecipeFault::RegisterLength {
                    what,
                    found,
                    instruction,
                    register,
                    expected,
                    entity,
                });
            }
            let bits = word.bits.or(length.map(|(n, _)| n as usize)).unwrap_or(0);
            for flag in word.flags.iter().filter(|f| f.bit >= bits) {
                let (flag, bit, status) = (flag.name.clone(), flag.bit, word.name.clone());
                fault(RecipeFault::BitBeyond {
                    flag,
                    bit,
                    status,
                    bits,
                });
            }
            if let Some(always) = &word.always
                && word.bits.is_none()
                && always.len() != bits
            {
                fault(
                    Fault::BadValue {
                        key: "always".into(),
                        found: format!("\"{always}\""),
                        expected: format!("{bits} digits of 0, 1 and X"),
                        near: None,
                    }
                    .into(),
                );
            }
        }
        for steps in [&self.load, &self.verify, &self.exit] {
            check_steps(self, steps, device, &mut problems);
        }
        problems.sort_by_key(|p| p.at.line);
        if problems.is_empty() {
            Ok(())
        } else {
            Err(RecipeError {
                path: self.path.clone(),
                problems,
            })
        }
    }
}

/// Length and name of the register that an instruction of the BSDL selects, where that says so.
fn register_of(device: &Device, instruction: &str) -> Option<(u32, String)> {
    let register = device.register_for(device.instruction(instruction)?)?;
    Some((
        device.register_length(register)?,
        device.register_name(register).to_owned(),
    ))
}

/// Why an instruction cannot be used: it is not there, or it drives pins.
fn no_use(recipe: &Recipe, device: &Device, name: &str) -> Option<RecipeFault> {
    if let Some(code) = recipe.code_of(device, name) {
        return drives(device, &code).map(RecipeFault::from);
    }
    let names = device.instructions.iter().map(|i| i.name.as_str());
    Some(RecipeFault::NoInstruction {
        entity: device.entity.clone(),
        name: name.to_owned(),
        near: nearest(name, names).map(str::to_owned),
    })
}

fn check_steps(
    recipe: &Recipe,
    steps: &[Step],
    device: &Device,
    problems: &mut Vec<RecipeProblem>,
) {
    // The instruction in force; `None` after a reset and at the beginning.
    let mut current: Option<&str> = None;
    for step in steps {
        let mut fault = |cause: RecipeFault| {
            let at = step.at.clone();
            problems.push(RecipeProblem { at, cause });
        };
        if let Some(name) = &step.instruction {
            no_use(recipe, device, name).map(&mut fault);
            current = Some(name);
        }
        match &step.action {
            StepAction::Reset => current = None,
            StepAction::Check(condition) | StepAction::Poll { condition, .. } => {
                current = recipe
                    .status
                    .get(condition.status)
                    .map(|s| s.instruction.as_str());
            }
            StepAction::Image(_) if current.is_none() => {
                fault(RecipeFault::NoInstructionYet { what: "image" })
            }
            StepAction::Data(_) if current.is_none() => {
                fault(RecipeFault::NoInstructionYet { what: "data" })
            }
            StepAction::Data(data) => {
                let Some(instruction) = current else { continue };
                if let Some((expected, register)) = register_of(device, instruction)
                    && expected as usize != data.out.len()
                {
                    fault(RecipeFault::RegisterLength {
                        what: "data".into(),
                        found: data.out.len(),
                        instruction: instruction.to_owned(),
                        register,
                        expected,
                        entity: device.entity.clone(),
                    });
                }
            }
            _ => {}
        }
    }
}

impl Plan {
    /// Resolves a recipe that [`Recipe::check`] passes.
    ///
    /// # Errors
    /// What the check finds.
    ///
    /// # Panics
    /// If the target's place is not on its chain, or its instruction register has another length there: defects of the
    /// caller.
    pub(super) fn new(recipe: &Recipe, target: &Target<'_>) -> Result<Plan, RecipeError> {
        recipe.check(target.device)?;
        let layout = target.layout;
        let mut others: Vec<Option<(&Device, Bits)>> = vec![None; layout.len()];
        if recipe.others == Others::HighZ {
            for (i, other) in target.chain.iter().enumerate() {
                let Some(other) = other.filter(|_| i != target.place) else {
                    continue;
                };
                let opcode = other.highz().and_then(|i| i.opcodes.first());
                let bits = opcode.map(|o| o.bits_with_x_as(false).into_iter().collect::<Bits>());
                let bits = bits.filter(|b| b.len() == layout.ir_lengths()[i]);
                others[i] = bits.map(|bits| (other, bits));
            }
        }
        let clamp = target.clamp.filter(|_| recipe.others == Others::Clamp);
        let scan = |name: &str| -> Result<Instructions, RecipeError> {
            let opcode = recipe.code_of(target.device, name).unwrap_or_default();
            let wanted = Wanted {
                device: target.device,
                opcode: &opcode,
            };
            let mut all: Vec<Option<Wanted<'_>>> = (others.iter())
                .map(|other| {
                    other
                        .as_ref()
                        .map(|(device, opcode)| Wanted { device, opcode })
                })
                .collect();
            all[target.place] = Some(wanted);
            let scan = match clamp {
                Some(clamp) => clamp.with(target.place, wanted),
                None => harmless(layout, &all),
            };
            scan.map_err(|drives| RecipeError {
                path: recipe.path.clone(),
                problems: vec![RecipeProblem {
                    at: Location::whole(&recipe.path),
                    cause: drives.into(),
                }],
            })
        };
        let steps = |steps: &[Step]| -> Result<Vec<PlannedStep>, RecipeError> {
            let planned = |step: &Step| {
                Ok(PlannedStep {
                    ir: step.instruction.as_deref().map(scan).transpose()?,
                    step: step.clone(),
                })
            };
            steps.iter().map(planned).collect()
        };
        let status = recipe.status.iter().map(|word| {
            Ok(PlannedStatus {
                ir: scan(&word.instruction)?,
                bits: match word.from {
                    StatusFrom::InstructionCapture => layout.ir_lengths()[target.place],
                    StatusFrom::Register => word.bits.unwrap_or(1),
                },
            })
        });
        Ok(Plan {
            status: status.collect::<Result<_, RecipeError>>()?,
            load: steps(&recipe.load)?,
            verify: steps(&recipe.verify)?,
            exit: steps(&recipe.exit)?,
            before: target.place,
            after: layout.len() - 1 - target.place,
            layout: layout.clone(),
            place: target.place,
            preload: clamp.map(Clamp::preload),
        })
    }

    /// A value for the target's register, padded with a zero for each other device.
    pub(super) fn padded(&self, value: &Bits) -> Bits {
        let mut scan = Bits::zeros(self.after);
        scan.append(value);
        scan.push_run(false, self.before);
        scan
    }

    /// What must come out for a value, and the mask: the other devices' bits are of no concern.
    pub(super) fn expected(&self, data: &Data) -> Option<(Bits, Bits)> {
        data.expect
            .as_ref()
            .map(|(expect, mask)| (self.padded(expect), self.padded(mask)))
    }
}

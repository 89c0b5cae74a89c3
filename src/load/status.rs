//! Status words: what a device says of itself, in words.

use taploom_bsdl::model::Pattern;

use crate::bits::Bits;

use super::recipe::{Condition, StatusKind, StatusWord};

/// A status word that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatusReading {
    /// Its name in the recipe.
    pub name: String,
    /// What was read, bit 0 nearest TDO.
    pub bits: Bits,
    /// False if the bits that never change were others: no status at all.
    pub plausible: bool,
    /// The flags that are 1.
    pub set: Vec<SetFlag>,
}

/// A flag that is 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SetFlag {
    /// Its name.
    pub name: String,
    /// What it means.
    pub says: String,
    /// What it means for a load.
    pub kind: StatusKind,
}

impl StatusReading {
    /// Takes a word apart.
    pub(super) fn of(word: &StatusWord, bits: Bits) -> StatusReading {
        let fits = |pattern: &Pattern| {
            pattern.len() == bits.len()
                && pattern
                    .bits()
                    .iter()
                    .enumerate()
                    .all(|(i, t)| t.admits(bits.get(i)))
        };
        let set = word
            .flags
            .iter()
            .filter(|f| f.bit < bits.len() && bits.get(f.bit))
            .map(|f| SetFlag {
                name: f.name.clone(),
                says: f.says.clone(),
                kind: f.kind,
            })
            .collect();
        StatusReading {
            name: word.name.clone(),
            plausible: word.always.as_ref().is_none_or(fits),
            set,
            bits,
        }
    }

    /// The flags of a kind that are 1.
    pub fn flags(&self, kind: StatusKind) -> impl Iterator<Item = &SetFlag> {
        self.set.iter().filter(move |f| f.kind == kind)
    }

    /// The wanted flags that are not as wanted: name and wanted level.
    pub(super) fn unmet<'a>(
        &self,
        word: &'a StatusWord,
        condition: &Condition,
    ) -> Vec<(&'a str, bool)> {
        let differs = |&(flag, level): &(usize, bool)| {
            let flag = word.flags.get(flag)?;
            let seen = flag.bit < self.bits.len() && self.bits.get(flag.bit);
            (seen != level).then_some((flag.name.as_str(), level))
        };
        condition.is.iter().filter_map(differs).collect()
    }

    /// `CFG_STAT 0x5013: OPEN (configuration is open), DONE (the loaded design runs)`.
    pub fn words(&self) -> String {
        let set: Vec<String> = self
            .set
            .iter()
            .map(|f| format!("{} ({})", f.name, f.says))
            .collect();
        let set = match (self.plausible, set.is_empty()) {
            (false, _) => "no status of this device".into(),
            (true, true) => "no flag set".into(),
            (true, false) => set.join(", "),
        };
        format!("{} 0x{}: {set}", self.name, self.bits.to_hex())
    }
}

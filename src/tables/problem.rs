//! What is wrong, where, and what to do about it.

use std::fmt;
use std::path::PathBuf;

use super::names::visible;
use super::source::Location;

/// What can be wrong with a file of one kind. `Display` says it in one line, lower case, without a full stop.
pub trait Cause: fmt::Display {
    /// What to do about it: one line, lower case, no full stop; empty where the cause says it all.
    fn help(&self) -> String;
}

/// A file that cannot be used, with everything that is wrong with it and with the files that it names.
///
/// `Display` gives each problem as place, cause, source line and mend, plainly; a caller with a better pen renders
/// [`problems`](Self::problems) itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problems<C> {
    /// The file as it was asked for.
    pub path: PathBuf,
    /// All problems found, in the order of the files; never empty.
    pub problems: Vec<Problem<C>>,
}

impl<C: Cause + fmt::Debug> std::error::Error for Problems<C> {}

impl<C: Cause> fmt::Display for Problems<C> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            problem.fmt(f)?;
        }
        Ok(())
    }
}

/// One thing that is wrong, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem<C> {
    /// Where.
    pub at: Location,
    /// What.
    pub cause: C,
}

impl<C: Cause> Problem<C> {
    /// What to do about it: one line, lower case, no full stop; empty where the cause says it all.
    pub fn help(&self) -> String {
        self.cause.help()
    }
}

impl<C: Cause> fmt::Display for Problem<C> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Location {
            path,
            line,
            column,
            length,
            text,
        } = &self.at;
        let (path, cause) = (path.display().to_string(), visible(&self.cause.to_string()));
        let text = visible(text);
        if *line == 0 && cause.contains(&path) {
            write!(f, "{cause}")?;
        } else if *line == 0 {
            write!(f, "{path}: {cause}")?;
        } else {
            write!(f, "{path}:{line}:{column}: {cause}")?;
        }
        if !text.is_empty() {
            let margin = " ".repeat(line.to_string().len());
            // Tabs are kept before the mark, so that it stands under what it means.
            let before: String = text
                .chars()
                .take(column - 1)
                .map(|c| if c == '\t' { c } else { ' ' })
                .collect();
            let mark = "^".repeat(*length);
            write!(f, "\n  {line} | {text}\n  {margin} | {before}{mark}")?;
        }
        let help = visible(&self.help());
        if !help.is_empty() {
            write!(f, "\n  help: {help}")?;
        }
        Ok(())
    }
}

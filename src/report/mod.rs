//! Results as text and as JSON. The only room that serialises results; it computes nothing of
//! the job and knows no hardware.

mod describe;
mod document;
mod draw;
mod drive;
mod index;
mod load;
mod margin;
mod pins;
mod play;
mod record;
mod ringout;
mod run;
mod scan;
mod simulated;
mod source;
mod table;
mod vet;
mod wiring;

pub use describe::{Caution, Described, cautions, describe_fields, describe_text};
pub use document::{Fault, document, failure_document};
pub use draw::{
    Basis, Corner, Package, PackagePin, Place, Shape, Side, package_of, package_svg, package_text,
};
pub use drive::{drive_fields, drive_lines, drive_text, read_value, vectors_fields, vectors_text};
pub use index::{index_fields, index_text};
pub use load::{load_fields, load_lost_fields, load_text};
pub use margin::margin;
pub use pins::{PinKind, named_like_a_clock, pin_kind};
pub use play::{play_fields, play_how_far, play_plan_text, play_text};
pub use record::{LastGood, last_good_of, record_document};
pub(crate) use ringout::faults_of;
pub use ringout::{ringout_counts, ringout_fields, ringout_plan, ringout_text};
pub use run::{RunStatistics, junit, run_fields, run_text, step_line};
pub use scan::{finding_value, findings_lines, in_words, rate, scan_fields, scan_text};
pub use simulated::{fights_text, simulated_value, witness_document};
pub use source::SourceText;
pub use table::{Table, plural};
pub use vet::{
    Vetted, codes_fields, codes_text, diagnostic_value, explanation_fields, explanation_text,
    vet_fields, vet_text,
};
pub use wiring::{WiringLine, wiring_drawing};

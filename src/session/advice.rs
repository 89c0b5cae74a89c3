//! What to do when the adapter fails.

use crate::tap::PortError;

/// What a user can do about an error of the adapter; `None` where the error says it all.
pub fn port_advice(error: &PortError) -> Option<&'static str> {
    let tap = |what: &str| what.starts_with("TAP");
    match error {
        PortError::Gone { what, .. } | PortError::TimedOut { what, .. } if tap(what) => {
            Some("check that the other side still runs, then start again")
        }
        PortError::OutOfStep { what, .. } if tap(what) => {
            Some("restart the other side: it does not speak as a TAP socket does")
        }
        PortError::Gone { .. } => Some("check the plug and the cable, then start again"),
        PortError::Busy { .. } => Some("end the other program that uses the adapter"),
        PortError::NotAllowed { .. } => Some("run `taploom adapters`: it names the line to paste"),
        PortError::NotFound { what } if tap(what) => {
            Some("start the other side first; the address is HOST:PORT or unix:PATH")
        }
        PortError::NotFound { .. } => Some("run `taploom adapters` to see what is plugged in"),
        PortError::TimedOut { .. } => Some("replug the adapter"),
        PortError::OutOfStep { .. } => {
            Some("replug the adapter; a hub or a long cable may lose packets")
        }
        PortError::Stalled { .. } => Some("replug the adapter"),
        _ => None,
    }
}

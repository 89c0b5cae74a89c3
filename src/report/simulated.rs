//! What a simulated bench itself saw.

use serde_json::{Value, json};

use crate::simulator::{Loaded, Seen, Witness};
use crate::tap::Traffic;

/// The field `simulated` of a run on a simulated bench.
pub fn simulated_value(witness: &Witness, traffic: &Traffic) -> Value {
    let seen = witness.seen();
    json!({
        "virtual_seconds": traffic.elapsed.as_secs_f64(),
        "usb_bytes_out": traffic.usb_out,
        "usb_bytes_in": traffic.usb_in,
        "round_trips": traffic.round_trips,
        "tck_cycles": seen.tck_cycles,
        "fights": seen.fight_count,
        "fight_places": fight_places(&seen),
        "left_safe": seen.left_safe(),
        "loaded": loaded(&seen),
        "image_bits": seen.devices.iter().filter(|d| d.image_bits > 0)
            .map(|d| (d.name.clone(), json!(d.image_bits))).collect::<serde_json::Map<_, _>>(),
    })
}

/// The images that the devices have taken.
fn loaded(seen: &Seen) -> Vec<Value> {
    let one = |l: &Loaded| {
        json!({
            "device": l.device, "text": l.text, "payload_bytes": l.payload_bytes,
            "crc": format!("0x{:04X}", l.crc), "running": l.running, "kept": l.kept,
        })
    };
    seen.loaded.iter().map(one).collect()
}

/// Each place once, with the drivers that met there first.
fn fight_places(seen: &Seen) -> Vec<String> {
    let mut places: Vec<String> = Vec::new();
    for fight in &seen.fights {
        let pins: Vec<&str> = fight.pins.iter().map(|p| &*p.pin).collect();
        let place = format!("{}: {}", fight.place, pins.join(" against "));
        if !places.contains(&place) {
            places.push(place);
        }
    }
    places
}

/// What is said of a run in which drivers were at odds: the run fails.
pub fn fights_text(seen: &Seen) -> String {
    let times = super::plural(seen.fight_count as usize, "time");
    let mut text = format!("\nThe simulated bench saw drivers set against each other, {times}:\n");
    for place in fight_places(seen) {
        text.push_str(&format!("  {place}\n"));
    }
    text
}

/// What the board itself saw, as a document of its own: `taploom.witness.v1`.
pub fn witness_document(seen: &Seen, connections: u64) -> Value {
    json!({
        "schema": "taploom.witness.v1",
        "taploom": env!("CARGO_PKG_VERSION"),
        "connections": connections,
        "fights": seen.fight_count,
        "fight_places": seen.fights.iter().map(|f| json!({
            "place": f.place,
            "at_ns": f.at_ns,
            "pins": f.pins.iter().map(|p| json!({ "pin": p.pin, "level": p.level })).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "strains": seen.strains.iter().map(|s| json!({
            "place": s.place, "stuck": s.stuck, "updates": s.updates,
        })).collect::<Vec<_>>(),
        "loaded": loaded(seen),
        "devices": seen.devices.iter().map(|d| json!({
            "name": d.name, "state": d.state.name(), "instruction": d.instruction,
            "boundary_drivers": d.boundary_drivers,
        })).collect::<Vec<_>>(),
        "tck_cycles": seen.tck_cycles,
        "elapsed_ns": seen.elapsed_ns,
        "extest_updates": seen.extest_updates,
        "left_safe": seen.left_safe(),
    })
}

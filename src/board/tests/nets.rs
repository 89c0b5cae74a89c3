//! Nets, reach and live drivers.

use super::super::*;
use super::{FITTINGS, HEAD, Scratch};

fn board(more: &str) -> Board {
    let clip = "clip = { 10 = \"U1.8\", 11 = \"U1.9\" }\n";
    Scratch::new()
        .load(&format!("{HEAD}{FITTINGS}{clip}{more}"))
        .unwrap_or_else(|e| panic!("{e}"))
}

fn wire(label: &str, from: &str, to: &str) -> String {
    format!("[[wire]]\nlabel = \"{label}\"\nfrom = \"{from}\"\nto = \"{to}\"\n")
}

fn all_ends(board: &Board) -> Vec<WireEnds> {
    (0..board.wires.len())
        .map(|i| board.wire_ends(WireIndex(i)))
        .collect()
}

/// `pin through [drive if ...] [hear if ...]`.
fn shown(board: &Board, reaches: &[Reach]) -> Vec<String> {
    let needs = |n: &[PinLevel]| {
        n.iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(" and ")
    };
    let one = |r: &Reach| {
        let through: Vec<_> = r
            .through
            .iter()
            .map(|p| board.parts[p.0].name.as_str())
            .collect();
        let drive = if r.can_drive {
            format!(" drive({})", needs(&r.drive_needs))
        } else {
            String::new()
        };
        let hear = if r.can_hear {
            format!(" hear({})", needs(&r.hear_needs))
        } else {
            String::new()
        };
        format!("{} [{}]{drive}{hear}", r.pin, through.join(" "))
    };
    reaches.iter().map(one).collect()
}

fn pin(board: &Board, text: &str) -> DevicePin {
    board.place(text).unwrap().device_pin().unwrap().clone()
}

#[test]
fn plain_wires_reach_clip_and_trace() {
    let b = board(
        &(wire("W1", "pattern memory.10", "J3.3")
            + wire("W2", "pattern memory.11", "J3.1").as_str()),
    );
    let ends = b.wire_ends(WireIndex(0));
    assert_eq!(shown(&b, &ends.from), ["U1.8 [] drive() hear()"]);
    assert_eq!(shown(&b, &ends.to), ["U1.7 [] drive() hear()"]);
    assert_eq!(
        (ends.within, ends.forward, ends.backward),
        (vec![], Some(vec![]), Some(vec![]))
    );
    // J3.1 is an input: it hears and cannot drive.
    assert_eq!(shown(&b, &b.wire_ends(WireIndex(1)).to), ["U1.5 [] hear()"]);
    assert!(b.same_net_as_drawn(&pin(&b, "U1.8"), &pin(&b, "U1.7")));
    assert!(!b.same_net_as_drawn(&pin(&b, "U1.8"), &pin(&b, "U1.5")));
    assert_eq!(
        b.pins_on_net(&pin(&b, "U1.9"))
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>(),
        ["U1.5", "U1.9"]
    );
}

#[test]
fn reach_crosses_no_wire_no_tie_and_no_rail() {
    let b = board(
        &(wire("W1", "pattern memory.10", "J3.3")
            + wire("W2", "pattern memory.1", "U1.10").as_str()
            + wire("W3", "pattern memory.12", "U1.10").as_str()
            + wire("W4", "pattern memory.14", "J3.21").as_str()
            + wire("W5", "ground", "nothing").as_str()
            + wire("W6", "pattern memory.13", "J3.4").as_str()
            + "[[tie]]\npins = [\"pattern memory.1\", \"pattern memory.10\"]\n"),
    );
    let ends = all_ends(&b);
    assert_eq!(
        shown(&b, &ends[1].from),
        [""; 0],
        "the tie leads to U1.8, which does not count"
    );
    assert_eq!(
        shown(&b, &ends[1].to),
        ["U1.10 [] drive() hear()"],
        "W3 begins there, and stops it"
    );
    assert_eq!(
        (ends[3].from.len(), ends[3].to.len(), ends[4].to.len()),
        (0, 0, 0)
    );
    assert_eq!(
        shown(&b, &ends[5].to),
        ["U2.4 []"],
        "without BSDL it can do neither"
    );
    assert_eq!(b.wire_role(WireIndex(3)), WireRole::Ground);
    assert_eq!(b.wire_role(WireIndex(4)), WireRole::Ground);
    assert_eq!(
        b.rail_of(&b.place("pattern memory.14").unwrap()),
        Some(Place::Ground)
    );
    assert_eq!(b.rail_of(&b.place("J3.3").unwrap()), None);
    // The tie joins W1 and W2 all the same.
    assert!(b.same_net_as_drawn(&pin(&b, "U1.8"), &pin(&b, "U1.10")));
}

#[test]
fn a_part_takes_the_place_of_the_trace() {
    let parts = "[[part]]\nname = \"R1\"\nkind = \"resistor\"\nbetween = [\"J3.3\", \"U1.7\"]\nohms = 100\n\
                 [[part]]\nname = \"S1\"\nkind = \"switch\"\nbetween = [\"J3.2\", \"U1.6\"]\nclosed = false\n\
                 [[part]]\nname = \"S2\"\nkind = \"switch\"\nbetween = [\"J3.5\", \"U1.10\"]\nenable = { pin = \"U1.6\", on = \"low\" }\n";
    let b = board(
        &(parts.to_string()
            + wire("W1", "pattern memory.10", "J3.3").as_str()
            + wire("W2", "pattern memory.2", "J3.2").as_str()
            + wire("W3", "pattern memory.3", "J3.5").as_str()),
    );
    let ends = all_ends(&b);
    assert_eq!(shown(&b, &ends[0].to), ["U1.7 [R1] drive() hear()"]);
    assert_eq!(shown(&b, &ends[1].to), [""; 0], "the switch is open");
    assert_eq!(
        shown(&b, &ends[2].to),
        ["U1.10 [S2] drive(U1.6 low) hear(U1.6 low)"]
    );
    let kinds = |place: &str| {
        let node = b.netlist.node(&b.place(place).unwrap()).unwrap();
        let joints = b
            .netlist
            .joints
            .iter()
            .filter(|j| (j.a == node || j.b == node) && !matches!(j.kind, JointKind::Wire(_)));
        joints.map(|j| j.kind).collect::<Vec<_>>()
    };
    assert_eq!(kinds("J3.3"), [JointKind::Series(PartIndex(0))]);
    assert_eq!(kinds("J3.2"), []);
    assert_eq!(kinds("J3.1"), [JointKind::Trace]);
    assert_eq!(kinds("J3.22"), [JointKind::Rail]);
}

#[test]
fn buffers_carry_one_way_and_count_as_drivers() {
    let parts = "[[part]]\nname = \"IC7\"\nkind = \"buffer\"\nfrom = \"J3.5-6\"\nto = \"U1.9-10\"\nenable = { pin = \"U1.6\", on = \"low\" }\n\
                 [[part]]\nname = \"IC8\"\nkind = \"shifter\"\nfrom = \"U1.7\"\nto = \"J3.7\"\n\
                 [[driver]]\npin = \"J3.5\"\nwhen = \"powered\"\n";
    let b = board(
        &(parts.replace("U1.9-10", "U1.10-9")
            + wire("W1", "pattern memory.2", "J3.5").as_str()
            + wire("W2", "pattern memory.3", "J3.7").as_str()
            + wire("W3", "U2.9", "pattern memory.4").as_str()),
    );
    let ends = all_ends(&b);
    assert_eq!(shown(&b, &ends[0].to), ["U1.10 [IC7] hear(U1.6 low)"]);
    assert_eq!(shown(&b, &ends[1].to), ["U1.7 [IC8] drive()"]);
    let live = |text| b.live_drivers(&pin(&b, text));
    let enabled = vec![PinLevel {
        pin: b.place("U1.6").unwrap(),
        level: Level::Low,
    }];
    assert_eq!(
        live("U1.10"),
        [LiveDriver::Part {
            part: PartIndex(0),
            needs: enabled
        }]
    );
    assert_eq!(live("U1.7"), []);
    assert_eq!(live("U2.9"), []);
    // What W1 carries is driven by a part off the chain while the machine is on.
    let node = b
        .netlist
        .node(&b.place("pattern memory.2").unwrap())
        .unwrap();
    let driven = b
        .netlist
        .drivers
        .iter()
        .any(|(n, _)| b.drawn_nets()[n.0] == b.drawn_nets()[node.0]);
    assert!(driven);
    assert!(!b.same_net_as_drawn(&pin(&b, "U1.10"), &pin(&b, "U1.7")));
}

#[test]
fn a_part_with_a_direction_pin_goes_both_ways() {
    let part = "[[part]]\nname = \"IC9\"\nkind = \"buffer\"\nfrom = \"J3.5\"\nto = \"U1.10\"\ndirection = { pin = \"U1.6\", forward = \"high\" }\n\
                [[part]]\nname = \"IC10\"\nkind = \"shifter\"\nbetween = [\"J3.6\", \"U1.9\"]\n";
    let b = board(
        &(part.to_string()
            + wire("W1", "pattern memory.2", "J3.5").as_str()
            + wire("W2", "pattern memory.3", "J3.6").as_str()),
    );
    let ends = all_ends(&b);
    assert_eq!(
        shown(&b, &ends[0].to),
        ["U1.10 [IC9] drive(U1.6 low) hear(U1.6 high)"]
    );
    assert_eq!(shown(&b, &ends[1].to), ["U1.9 [IC10] drive() hear()"]);
    let [LiveDriver::Part { needs, .. }] = &b.live_drivers(&pin(&b, "U1.10"))[..] else {
        panic!("the part alone")
    };
    assert!(
        needs[0].contradicts(&ends[0].to[0].drive_needs[0]),
        "turned to be driven, it does not drive"
    );
}

#[test]
fn live_drivers_are_named() {
    let b = board(
        &(wire("W1", "U2.9", "pattern memory.10")
            + wire("W2", "J3.3", "pattern memory.2").as_str()
            + wire("W3", "supply 5 V", "pattern memory.11").as_str()
            + "[[driver]]\npin = \"J3.3\"\nwhen = \"always\"\n"),
    );
    let live = |text| b.live_drivers(&pin(&b, text));
    assert_eq!(live("U1.8"), [LiveDriver::Undescribed(pin(&b, "U2.9"))]);
    assert_eq!(live("U1.7"), [LiveDriver::Declared(DriverIndex(0))]);
    assert_eq!(
        live("U1.9"),
        [LiveDriver::Rail(b.place("supply 5V").unwrap())]
    );
    assert_eq!(live("U2.9"), []);
}

#[test]
fn guarded_pins_are_not_offered_for_driving() {
    let b = board(
        &(wire("W1", "pattern memory.10", "J3.3")
            + "[guard]\nnever_drive = [\"U1.7\"]\nhold = { \"U1.8\" = \"low\" }\n"),
    );
    let ends = b.wire_ends(WireIndex(0));
    assert_eq!(
        (shown(&b, &ends.from), shown(&b, &ends.to)),
        (
            vec!["U1.8 [] hear()".to_string()],
            vec!["U1.7 [] hear()".to_string()]
        )
    );
}

#[test]
fn a_part_can_sit_in_a_wire() {
    let part = |kind: &str| {
        format!(
            "[[part]]\nname = \"P\"\n{kind}\n{}",
            wire("W1", "pattern memory.10", "J3.3")
        )
    };
    let b = board(&part(
        "kind = \"resistor\"\nbetween = [\"pattern memory.10\", \"J3.3\"]",
    ));
    let ends = b.wire_ends(WireIndex(0));
    assert_eq!(
        (shown(&b, &ends.from), shown(&b, &ends.to)),
        (
            vec!["U1.8 [] drive() hear()".into()],
            vec!["U1.7 [] drive() hear()".to_string()]
        )
    );
    assert_eq!(
        (ends.within, ends.forward, ends.backward),
        (vec![PartIndex(0)], Some(vec![]), Some(vec![]))
    );
    assert!(b.same_net_as_drawn(&pin(&b, "U1.8"), &pin(&b, "U1.7")));

    // A buffer the other way round than the wire.
    let b = board(&part(
        "kind = \"buffer\"\nfrom = \"J3.3\"\nto = \"pattern memory.10\"\nenable = { pin = \"U1.6\", on = \"high\" }",
    ));
    let ends = b.wire_ends(WireIndex(0));
    assert_eq!(
        (ends.forward, ends.backward.unwrap()[0].to_string().as_str()),
        (None, "U1.6 high")
    );
    assert_eq!(
        (shown(&b, &ends.from), shown(&b, &ends.to)),
        (
            vec!["U1.8 [] drive() hear()".into()],
            vec!["U1.7 [] drive() hear()".to_string()]
        )
    );
    assert!(!b.same_net_as_drawn(&pin(&b, "U1.8"), &pin(&b, "U1.7")));

    let b = board(&part(
        "kind = \"switch\"\nbetween = [\"pattern memory.10\", \"J3.3\"]\nclosed = false",
    ));
    let ends = b.wire_ends(WireIndex(0));
    assert_eq!(
        (ends.within, ends.forward, ends.backward),
        (vec![PartIndex(0)], None, None)
    );
    assert_eq!(shown(&b, &ends.to), ["U1.7 [] drive() hear()"]);
}

#[test]
fn every_wire_is_one_joint_that_can_be_broken() {
    let b = board(
        &(wire("W1", "pattern memory.10", "J3.3")
            + wire("W2", "nothing", "J3.2").as_str()
            + wire("W3", "nothing", "nothing").as_str()),
    );
    for i in 0..3 {
        let joint = &b.netlist.joints[b.netlist.wire_joint(WireIndex(i)).unwrap()];
        assert_eq!(joint.kind, JointKind::Wire(WireIndex(i)));
        assert_ne!(joint.a, joint.b);
    }
    let (clip, fpga) = (
        b.netlist.node(&b.place("U1.8").unwrap()).unwrap(),
        b.netlist.node(&b.place("U1.7").unwrap()).unwrap(),
    );
    let mut broken = b.netlist.clone();
    broken
        .joints
        .remove(b.netlist.wire_joint(WireIndex(0)).unwrap());
    let joined = |n: &Netlist| {
        n.nets(|j| j.kind.conducts())
            .iter()
            .any(|net| net.nodes.contains(&clip) && net.nodes.contains(&fpga))
    };
    assert!(joined(&b.netlist) && !joined(&broken));
    // Every node is in exactly one net.
    let mut nodes: Vec<_> = broken
        .nets(|_| true)
        .into_iter()
        .flat_map(|n| n.nodes)
        .collect();
    nodes.sort();
    assert_eq!(
        nodes,
        (0..broken.nodes.len()).map(NodeId).collect::<Vec<_>>()
    );
}

/// The numbering of nets against a flood fill, on a few hundred random netlists from a fixed seed.
#[test]
fn nets_agree_with_a_flood_fill() {
    let mut state = 0x5eed_u64;
    let mut random = |below: usize| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below
    };
    for _ in 0..300 {
        let mut net = Netlist::default();
        let count = 2 + random(30);
        for i in 0..count {
            net.add(Place::Supply(Supply::new(&format!("rail {i}"))));
        }
        for _ in 0..random(40) {
            let (a, b) = (NodeId(random(count)), NodeId(random(count)));
            let kind = if random(4) == 0 {
                JointKind::OneWay(PartIndex(0))
            } else {
                JointKind::Trace
            };
            net.joints.push(Joint {
                a,
                b,
                kind,
                needs: vec![],
            });
        }
        let numbers = net.net_numbers(|j| j.kind.conducts());
        for start in 0..count {
            let mut reached = vec![false; count];
            let mut todo = vec![start];
            while let Some(n) = todo.pop() {
                if !std::mem::replace(&mut reached[n], true) {
                    for j in net.joints.iter().filter(|j| j.kind == JointKind::Trace) {
                        todo.extend((j.a.0 == n).then_some(j.b.0));
                        todo.extend((j.b.0 == n).then_some(j.a.0));
                    }
                }
            }
            for other in 0..count {
                assert_eq!(reached[other], numbers[other] == numbers[start]);
            }
        }
    }
}

#[test]
fn a_buttons_wire_is_on_ground_only_while_it_is_pressed() {
    let b = board(&format!(
        "{}kind = \"button\"\n",
        wire("W1", "ground", "J3.3")
    ));
    assert_eq!(b.wire_role(WireIndex(0)), WireRole::Button);
    assert_eq!(b.rail_of(&b.place("J3.3").unwrap()), None);
    assert_eq!(b.live_drivers(&pin(&b, "U1.7")), []);
}

#[test]
fn a_way_that_takes_a_pin_at_both_levels_is_none() {
    let part = |name, from, to, on| {
        format!(
            "[[part]]\nname = \"{name}\"\nkind = \"switch\"\nbetween = [\"{from}\", \"{to}\"]\nenable = {{ pin = \"U1.6\", on = \"{on}\" }}\n"
        )
    };
    let wire = wire("W1", "pattern memory.2", "J3.7");
    let way = |second| {
        board(
            &(part("A", "J3.7", "J3.8", "low")
                + part("B", "J3.8", "U1.10", second).as_str()
                + wire.as_str()),
        )
    };
    let b = way("low");
    assert_eq!(
        shown(&b, &b.wire_ends(WireIndex(0)).to),
        ["U1.10 [A B] drive(U1.6 low) hear(U1.6 low)"]
    );
    let b = way("high");
    assert_eq!(shown(&b, &b.wire_ends(WireIndex(0)).to), [""; 0]);
}

/// U1.7 must be 1 for the part to comply: nobody may drive it for a test.
#[test]
fn compliance_pins_are_not_offered_for_driving() {
    let scratch = Scratch::new();
    let text = super::loom("LOOM_12").replace(
        "  attribute INSTRUCTION_LENGTH",
        "  attribute COMPLIANCE_PATTERNS of LOOM_12 : entity is \"(C) (1)\";\n  attribute INSTRUCTION_LENGTH",
    );
    scratch.write("devices/loom_12.bsd", text);
    let b = scratch.load(HEAD).unwrap_or_else(|e| panic!("{e}"));
    assert!(!b.can_drive(&pin(&b, "U1.7")) && b.can_drive(&pin(&b, "U1.6")));
}

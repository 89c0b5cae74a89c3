"""What one driver at a time can show of a board's wires, worked out from the model's nets alone.

No scan and no plan: each pin that may be driven alone says 0, then 1, all else listens. Drivers that cannot be switched
off come first; what hears them and should not is never driven. The order of the verdicts is the simplest there is.
"""

import inventions
from tap_model import Board


def seen_by_one_driver_at_a_time(drawing, model):
    """Label -> (verdict, with whom), for every wire; a fight on the way is an error of the caller's board."""
    board = Board(model)
    kind = {f"{n}.{p}": k for n, d in drawing.made.items() for p, k in zip(d["pin_of"], d["kinds"])}
    wires = {w["label"]: (w["from"], w["to"]) for w in model["wires"]}
    wire_of = {pin: label for label, pair in wires.items() for pin in pair}
    pin = lambda end: f"{end[0]}.{drawing.made[end[0]]['pin_of'][end[1]]}"
    stopped = {pin(end) for end, _, when in drawing.live if when == "always"}
    may = {pin(end) for pair in drawing.wires for end in pair if drawing.drives(end)}
    may -= {p for pair in wires.values() for p in pair if stopped & set(pair)}
    always = {f"{d.name}.{p}": level for d in board.devices for p, level in d.mission.items()}
    ears = [p for p, k in kind.items() if k in inventions.READS | inventions.SEES_ITSELF]
    hears, itself, hot = {}, {}, set()  # driven pin -> pins that follow; -> what it sees of itself at 0 and 1
    for mouth in sorted(may, key=lambda p: p not in always):
        if mouth in hot:
            continue
        answers = []
        for level in (0, 1):
            board.nets.drive({**always, mouth: level}, {})
            board.nets.wait(20_000)
            answers.append({p: board.nets.level(p) for p in set(ears) | {mouth}})
        hears[mouth] = {p for p in ears if p != mouth and (answers[0][p], answers[1][p]) == (0, 1)}
        itself[mouth] = (answers[0][mouth], answers[1][mouth]) if kind[mouth] in inventions.SEES_ITSELF else (0, 1)
        if mouth in always and board.nets.net_of[mouth].rail is None:
            hot |= board.nets.net_of[mouth].pins - {mouth}
        board.nets.drive(always, {})
    if board.nets.fights:
        raise AssertionError(f"{board.nets.fights} fights by one driver at a time: {board.nets.fight_places}")
    return {label: verdict(pair, label, hears, itself, ears, wire_of) for label, pair in wires.items()}


def verdict(pair, label, hears, itself, ears, wire_of):
    a, b = pair
    mouths = [p for p in pair if p in hears]
    strangers = {p for m in mouths for p in hears[m] if p not in pair}
    strangers |= {m for m in hears if m not in pair and hears[m] & {a, b}}
    others = sorted({wire_of[p] for p in strangers if p in wire_of} - {label})
    ways = [(p, q) for p, q in ((a, b), (b, a)) if p in hears and q in ears]
    constant = [itself[m] for m in mouths if itself[m] in ((0, 0), (1, 1))]
    if not ways:  # nothing may be driven, but a driver that is always on may be heard
        return ("short", others) if strangers else ("untested", [])
    if any(q in hears[p] for p, q in ways):
        return ("short", others) if strangers else ("good", [])
    if others:
        return ("swapped", others)
    if strangers:
        return ("misplaced", sorted(strangers))
    if constant:
        return (("stuck-low", "stuck-high")[constant[0][0]], [])
    return ("open", [])

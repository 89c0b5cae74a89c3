"""The independent model's nets: which pins are joined, with the faults, and what level each stands at.

A net takes the level of its drivers; a rail (a stuck or held line) beats them; without either a pull takes over after
`pull_ns`; without a pull the line floats and keeps its charge. Two enabled drivers at odds are a fight, whatever follows.
"""


class Net:
    """Pins that are joined electrically."""

    def __init__(self, pins, level):
        self.pins, self.level = pins, level
        self.rail = self.pull = None
        self.short, self.strong = "and", ()  # what wins when drivers are at odds; the pins of the stronger wire
        self.waited = 0


class Nets:
    """All nets of a board, from its wires and faults. Pins are written `U1.12`."""

    def __init__(self, spec, dice):
        self.pull_ns, self.settle_ns = spec.get("pull_ns", 5_000), spec.get("settle_us", 20) * 1000
        self.on, self.pulled, self.version = {}, {}, 0
        self.fights, self.fight_places = 0, set()
        ends = {w["label"]: [w["from"], w["to"]] for w in spec["wires"]}
        self.net_of = {}
        self.nets = []
        for d in spec["devices"]:
            for pin in sorted({line[2] for line in d["cells"] if line[2] is not None}):
                self.add(f"{d['name']}.{pin}", dice.getrandbits(1))
        for pin in [p for pair in ends.values() for p in pair]:
            if pin not in self.net_of:
                self.add(pin, dice.getrandbits(1))
        faults = spec.get("faults", [])
        for fault in faults:
            if fault["kind"] == "open":
                ends[fault["wire"]][1] = None
            elif fault["kind"] == "swap":
                a, b = fault["wires"]
                ends[a][1], ends[b][1] = ends[b][1], ends[a][1]
            elif fault["kind"] == "misplaced":
                ends[fault["wire"]][fault.get("end", 1)] = fault["pin"]
        for pins in ends.values():
            self.join([p for p in pins if p is not None])
        for fault in faults:
            if fault["kind"] == "short":
                net = self.join([ends[w][0] for w in fault["wires"]])
                net.short, net.strong = fault["wins"], tuple(ends[fault["wires"][0]])
            elif fault["kind"] in ("stuck", "held"):
                net = self.net_of[ends[fault["wire"]][0]]
                net.rail = net.level = fault["level"]
        for pull in spec.get("pulls", []):
            net = self.net_of[pull["pin"]]
            net.pull = pull["to"]
            net.level = net.level if net.rail is not None else pull["to"]
        # A floating line that runs beside another follows it: pairs (follower, leader) of pins.
        self.coupled = [(self.net_of[a], self.net_of[b]) for a, b in spec.get("coupled", [])]

        # Drivers beside the chain that are always on, each a pin of its own on the net: name -> level.
        self.beside = {}
        for pin, level in spec.get("live", {}).items():
            self.beside[f"driver beside {pin}"] = level
            self.net_of[f"driver beside {pin}"] = self.net_of[pin]
            self.net_of[pin].pins.add(f"driver beside {pin}")
        # Lines that something alive on the machine moves, now and then.
        self.moving = [self.net_of[pin] for pin in spec.get("moving", [])]

    def live(self, dice):
        """The machine's own movement, looked at whenever the chain captures."""
        for net in self.moving:
            if not any(p in self.on for p in net.pins) and dice.random() < 0.02:
                net.level ^= 1
                self.version += 1

    def add(self, pin, level):
        self.net_of[pin] = Net({pin}, level)
        self.nets.append(self.net_of[pin])

    def join(self, pins):
        """Makes one net of the nets of these pins."""
        net = self.net_of[pins[0]]
        for pin in pins[1:]:
            other = self.net_of[pin]
            if other is not net:
                net.pins |= other.pins
                self.nets.remove(other)
                for p in other.pins:
                    self.net_of[p] = net
        return net

    def level(self, pin):
        return self.net_of[pin].level

    def pull_of(self, net):
        pulls = {self.pulled[p] for p in net.pins if p in self.pulled} | ({net.pull} - {None})
        return pulls.pop() if len(pulls) == 1 else None

    def drive(self, on, pulled):
        """Takes the drivers that are on now (pin -> level) and the pins that disabled drivers pull."""
        on = {**on, **self.beside}
        changed = {p for p in on.keys() | self.on.keys() if on.get(p) != self.on.get(p)}
        changed |= {p for p in pulled.keys() | self.pulled.keys() if pulled.get(p) != self.pulled.get(p)}
        self.on, self.pulled = on, pulled
        moved = []
        for net in {id(self.net_of[p]): self.net_of[p] for p in changed}.values():
            before = net.level
            self.resolve(net)
            net.waited = 0
            if net.level != before:
                moved.append(net)
        for follower, leader in self.coupled:
            if leader in moved and self.floats(follower):
                follower.level = leader.level
        if changed:
            self.version += 1

    def floats(self, net):
        return net.rail is None and self.pull_of(net) is None and not any(p in self.on for p in net.pins)

    def resolve(self, net):
        drivers = {p: self.on[p] for p in net.pins if p in self.on}
        levels = set(drivers.values())
        if len(levels) == 2 and net.rail is None:  # on a stuck line nobody can see who else drives it
            self.fights += 1
            self.fight_places.add(tuple(sorted(drivers)))
        if net.rail is not None:
            net.level = net.rail
        elif len(levels) == 1:
            net.level = levels.pop()
        elif levels and net.short == "strong":
            net.level = next((drivers[p] for p in net.strong if p in drivers), 0)
        elif levels:
            net.level = 1 if net.short == "or" else 0

    def wait(self, nanoseconds):
        """Time passes: pulled lines reach their level."""
        for net in self.nets:
            pull = self.pull_of(net)
            if net.rail is None and pull is not None and not any(p in self.on for p in net.pins):
                net.waited += nanoseconds
                if net.waited >= self.pull_ns and net.level != pull:
                    net.level = pull
                    self.version += 1

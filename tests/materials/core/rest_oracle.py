"""A second rest clock, slow and plain: the contract's table asked of every second by itself.

It shares no line with the core: a case of kind `rest` (a dict as in the JSON) goes in, the contract's answer
comes out.  Time is a list of seconds, so cases must be short.
"""

from datetime import UTC, datetime, timedelta


def second_of(text):
    return int(datetime.fromisoformat(text).timestamp())


def text_of(second):
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=second)
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


class Oracle:
    def __init__(self, case):
        self.now = second_of(case["now"])
        rule = case["rule"]
        self.required, self.max_gap = rule["required_s"], rule["max_gap_s"]
        self.restart_after = rule["restart_after_s"]
        self.fine_gap = rule.get("fine_gap_s", 3600)
        self.heat_only = rule.get("restart_on", "any") == "temperature"
        self.statements_prove = rule.get("proof", "readings") == "readings_or_statements"
        self.band = rule["band"]
        opened = case.get("opened_at")
        opened = None if opened is None or second_of(opened) > self.now else second_of(opened)
        self.needs_opening = rule.get("needs_opening", False)
        self.opened = opened
        set_at = case.get("sheets_set_at")
        self.set_at = None if set_at is None or second_of(set_at) > self.now else second_of(set_at)
        self.E = self.now if self.set_at is None else self.set_at
        self.read(case["readings"])
        self.remember(case.get("memories", []))
        self.statements = [
            (s["zone"], second_of(s["from"]), second_of(s["to"])) for s in case.get("statements", [])
        ]
        self.stays = []
        for p in sorted(case["presence"], key=lambda p: second_of(p["in_at"])):
            start = second_of(p["in_at"])
            end = None if p.get("out_at") is None else second_of(p["out_at"])
            if start > self.now:
                continue
            if self.stays and self.stays[-1][0] == p["zone"] and self.stays[-1][2] == start:
                self.stays[-1] = (p["zone"], self.stays[-1][1], end)
            else:
                self.stays.append((p["zone"], start, end))

    def read(self, readings):
        self.readings = {}
        corrected = {r["corrects"] for r in readings if r.get("corrects") is not None}
        self.superseded = sorted({r["id"] for r in readings} & corrected)
        self.after_now = []
        for r in {r["id"]: r for r in readings if r["id"] not in corrected}.values():
            at = second_of(r["at"])
            if at > self.now:
                self.after_now.append(r["id"])
                continue
            cool = self.band["t_min"] <= r["t_c"] <= self.band["t_max"]
            dry = self.band["rh_min"] <= r["rh_pct"] <= self.band["rh_max"]
            was_good, was_cool = self.readings.setdefault(r["zone"], {}).get(at, (True, True))
            self.readings[r["zone"]][at] = (was_good and cool and dry, was_cool and cool)

    def remember(self, memories):
        self.good_memories, self.bad_memories, self.contradicted = [], [], []
        band = self.band
        for m in {m["id"]: m for m in memories}.values():
            start, end = second_of(m["from"]), second_of(m["to"])
            if end > self.now:
                self.after_now.append(m["id"])
                continue
            cool = band["t_min"] <= m["t_min"] and m["t_max"] <= band["t_max"]
            dry = band["rh_min"] <= m["rh_min"] and m["rh_max"] <= band["rh_max"]
            of_zone = self.readings.get(m["zone"], {})
            if not (cool and dry):
                self.bad_memories.append((m["zone"], start, end, cool))
            elif any(start <= at <= end and not good for at, (good, _) in of_zone.items()):
                self.contradicted.append(m["id"])
            else:
                self.good_memories.append((m["zone"], start, end))

    def p(self, zone, x):
        return max((at for at in self.readings.get(zone, {}) if at <= x), default=None)

    def q(self, zone, x):
        return min((at for at in self.readings.get(zone, {}) if at > x), default=None)

    def good(self, zone, at):
        return at is not None and self.readings[zone][at][0]

    def stay(self, x):
        for zone, start, end in self.stays:
            if start <= x and (end is None or x < end):
                return zone, start, end
        return None

    def is_opened(self, x):
        return not self.needs_opening or (self.opened is not None and self.opened <= x)

    def kind(self, x):
        """The first kind that fits, and whether it is bridged."""
        stay = self.stay(x)
        if stay is None:
            return "absent", False
        if not self.is_opened(x):
            return "wrapped", False
        zone = stay[0]
        p, q = self.p(zone, x), self.q(zone, x)
        if (p is not None and not self.good(zone, p)) or any(
            z == zone and start <= x < end for z, start, end, _ in self.bad_memories
        ):
            return "out_of_band", False
        in_memory = any(z == zone and start <= x < end for z, start, end in self.good_memories)
        if in_memory or (self.good(zone, p) and self.good(zone, q) and q - p <= self.max_gap):
            return "counted", not in_memory and q - p > self.fine_gap
        if self.statements_prove:
            for z, start, end in self.statements:
                if z != zone or not start <= x < end:
                    continue
                if not (q is not None and not self.good(zone, q) and q <= end):
                    return "stated", False
        if q is None and self.good(zone, p) and x < p + self.max_gap:
            return "provisional", False
        return "gap", False

    def excursions(self, zone):
        """Those that may set to zero, (start, end), end None if without end."""
        which = 1 if self.heat_only else 0
        found = []
        start = None
        for at in sorted(self.readings.get(zone, {})):
            in_band = self.readings[zone][at][which]
            if not in_band and start is None:
                start = at
            elif in_band and start is not None:
                found.append((start, at))
                start = None
        if start is not None:
            found.append((start, None))
        for z, start, end, cool in self.bad_memories:
            if z == zone and not (self.heat_only and cool):
                found.append((start, end))
        merged = True
        while merged:
            merged = False
            for i, a in enumerate(found):
                for b in found[i + 1 :]:
                    if (a[1] is None or b[0] <= a[1]) and (b[1] is None or a[0] <= b[1]):
                        found.remove(a)
                        found.remove(b)
                        end = None if a[1] is None or b[1] is None else max(a[1], b[1])
                        found.append((min(a[0], b[0]), end))
                        merged = True
                        break
                if merged:
                    break
        return found

    def zeros(self):
        zeros = set()
        for zone, start, end in self.stays:
            if end is not None and end <= self.now and not (self.set_at is not None and self.set_at <= end):
                zeros.add(end)
            for a, until in self.excursions(zone):
                z = a + self.restart_after
                lasts = (until is None or z < until) and z < self.E
                inside = start < z and (end is None or z < end)
                after_opening = not self.needs_opening or (self.opened is not None and self.opened < z)
                if lasts and inside and after_opening:
                    zeros.add(z)
        return zeros

    def answer(self):
        zeros = self.zeros()
        begin = min((start for _, start, _ in self.stays), default=self.E)
        proven = bridged = stated = provisional = 0
        proven_at = together_at = None
        strip = []
        for x in range(begin, self.E + 1):
            if x in zeros:
                proven = bridged = stated = provisional = 0
                proven_at = together_at = None
            if x == self.E:
                break
            kind, is_bridged = self.kind(x)
            if strip and strip[-1]["kind"] == kind and x not in zeros:
                strip[-1]["to"] = text_of(x + 1)
            else:
                strip.append({"from": text_of(x), "to": text_of(x + 1), "kind": kind, "restart": x in zeros})
            proven += kind in ("counted", "stated")
            bridged += is_bridged
            stated += kind == "stated"
            provisional += kind == "provisional"
            if proven == self.required and proven_at is None:
                proven_at = x + 1
            if proven + provisional == self.required and together_at is None:
                together_at = x + 1
        state = self.state(proven, provisional)
        forecast = self.forecast(state, proven, provisional, proven_at, together_at)
        return {
            "proven_s": proven,
            "bridged_s": bridged,
            "stated_s": stated,
            "proven_at": None if proven_at is None else text_of(proven_at),
            "provisional_s": provisional,
            "state": state,
            "forecast_at": None if forecast is None else text_of(forecast),
            "strip": strip,
            "ignored": {
                "after_now": sorted(self.after_now),
                "superseded": self.superseded,
                "contradicted": sorted(self.contradicted),
            },
        }

    def state(self, proven, provisional):
        if proven >= self.required:
            return "proven"
        stay = self.stay(self.now)
        if self.set_at is None and stay is not None and self.is_opened(self.now):
            zone = stay[0]
            p = self.p(zone, self.now)
            if self.good(zone, p) and self.now - p <= self.max_gap:
                return "resting"
            if self.statements_prove and (p is None or self.good(zone, p)):
                for z, start, end in self.statements:
                    if z == zone and start <= self.now <= end:
                        return "resting"
        return "paused" if proven + provisional > 0 else "not_started"

    def forecast(self, state, proven, provisional, proven_at, together_at):
        if state == "proven":
            return proven_at
        if self.set_at is not None or self.stay(self.now) is None or not self.is_opened(self.now):
            return None
        if state == "resting":
            if together_at is not None:
                return together_at
            return self.now + self.required - proven - provisional
        return self.now + self.required - proven

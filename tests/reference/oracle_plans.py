"""Makes the choices of the dosing core again by looking at all there are: the charges that come nearest a
dose, and the most holes that fit on a trunk. Plain listing, so that it can be checked by reading it."""


def choices(given):
    """What one hole may get: {volume: whether it is a part charge}."""
    found = {}
    for kind in given["kinds"]:
        if kind["charge"] <= given["most"]:
            found[kind["charge"]] = 0
    for kind in given["kinds"]:
        if given["part"] and kind["step"]:
            least = given["least"] if given["least"] else 1
            for volume in range(kind["step"], kind["charge"], kind["step"]):
                if least <= volume <= given["most"]:
                    found.setdefault(volume, 1)
    return found


def charge_plan(given, found):
    """Of all sums within the label's range in no more holes than fit: nearest the target, then the lesser,
    then the fewer charges, then the fewer part charges."""
    fills = {volume: part for volume, part in choices(given).items() if volume <= given["max"]}
    # The fewest charges of each sum, and among those the fewest parts.
    best = {0: (0, 0)}
    for total in range(1, given["max"] // 500 + 1):
        ways = []
        for volume, part in fills.items():
            before = best.get(total * 500 - volume)
            if before is not None:
                ways.append((before[0] + 1, before[1] + part))
        if ways:
            best[total * 500] = min(ways)
    fit = [
        (abs(total - given["target"]), total, *way)
        for total, way in best.items()
        if total >= given["min"] and 0 < way[0] <= given["holes"]
    ]
    if not fit:
        return (0 if isinstance(found, dict) and "error" in found else 1), 0
    _, total, count, parts = min(fit)
    wrong = abs(found["total"] - total) + abs(found["count"] - count) + abs(found["parts"] - parts)
    wrong += abs(sum(found["charges"]) - total)
    wrong += sum(1 for charge in found["charges"] if charge not in fills)
    return wrong, 0


def open_places(given):
    """The whole millimetres around the trunk where a hole may go; an arc's own ends are allowed."""
    girth = given["girth"]
    closed = set()
    for begin, end in given["damage"]:
        if end < begin:
            end += girth
        closed.update(range(begin - given["half_bit"] + 1, end + given["half_bit"]))
    for hole in given["earlier"]:
        closed.update(range(hole - given["clearance"] + 1, hole + given["clearance"]))
    shut = {place % girth for place in closed}
    return [place for place in range(girth) if place not in shut]


def most(places, girth, gap):
    """The most places of a circle no two of which are nearer than `gap`, trying every place as the first."""
    allowed = set(places)
    found = 1 if places else 0
    for first in places:
        count, last, place = 1, first, first + gap
        while place <= first + girth - gap:
            if place % girth in allowed:
                count, last = count + 1, place
                place = last + gap
            else:
                place += 1
        found = max(found, count)
    return found


def layout(given, found):
    """As many holes as fit and are wanted, none on a closed arc, spread as wide as whole millimetres allow."""
    girth, gap = given["girth"], given["spacing"]
    places = open_places(given)
    if not places:
        return (0 if "error" in found else 1), 0
    fits = most(places, girth, gap)
    holes = sorted(arc for arc, _ in found["holes"])
    count = min(fits, given["wanted"])
    wrong = abs(found["fits"] - fits) + abs(len(holes) - count)
    for arc in holes:
        below, above = arc // 1_000 % girth, -(-arc // 1_000) % girth
        allowed = below in places and above in places
        wrong += 0 if allowed else 1
    turns = [b - a for a, b in zip(holes, holes[1:] + [holes[0] + girth * 1_000])]
    wrong += abs(min(turns) - found["offset"])
    if count > 1:
        wrong += 1 if min(turns) < gap * 1_000 else 0
        # A millimetre more, and so many no longer fit: they could not be spread wider.
        wrong += 1 if most(places, girth, min(turns) // 1_000 + 1) >= count else 0
    heights = [height for _, height in sorted(found["holes"])]
    rising = all(a <= b for a, b in zip(heights, heights[1:]))
    wrong += 0 if rising and given["low"] <= heights[0] and heights[-1] <= given["high"] else 1
    return wrong, 0

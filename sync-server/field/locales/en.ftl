# The field app in English. A message is one line where it stands on a button.

## Frame
back = Back
ways = Screens
change = Change
undo = Take back
more = More
yes = Yes
no = No
note = Note
mis-tap = mis-tap
undone = Taken back: struck, and still readable.
nothing-to-undo = Nothing to take back.
way-today = Today
way-find = Trees
way-board = Treating
way-kit = Kit
way-close = Day's end
unsent-short = { $count } unsent since { $since }
all-sent-short = All sent
behind = What was logged last is kept. The screen shows what was before it, and follows in a moment.
plan-behind = The plan follows in a moment: the books are being read for it.

title-join = Join
title-who = Who works
title-today = Today
title-find = Find a tree
title-new = New tree
title-tree = Tree { $tag }
title-measure = Measure { $tag }
title-look = Look at { $tag }
title-not = Leave { $tag }
title-plan = Plan { $tag }
title-finish = Finish { $tag }
title-board = Being treated
title-kit = Kit
title-fill = Fill the kit
title-move = Product moved
title-close = Day's end
title-unsent = Exchange
title-incident = Incident
title-label = First aid and label
title-settings = Settings

## Joining
join-lead = Type the one-time code the office gave you.
join-code = Code
join-hint = { $digits } digits; spaces do not matter.
join-button = Join
join-other-server = Another server
join-address = Address
join-address-hint = Only if the office said so; otherwise the address this app came from.
join-install = First add this app to the home screen and open it from there: some phones keep the installed app's storage apart from the browser's.
joined-as = This device is { $name } of { $company }.
root-key = Compare with the office: { $print }
language = Language
no-books = The office's books are not here yet.
which-job = Which job?
which-kit = Which kit?
who-works = Who is using this device?
missing-crew = This device belongs to no crew: ask the office.
missing-person = Choose who is using this device.
missing-kit = Choose the kit.
missing-fill = No fill of this kit is logged.
missing-label = The lot in the kit has no label here: exchange, or ask the office.
missing-purpose = The label has several purposes: choose one.

## Settings
look = Look
look-day = Day
look-sun = Full sun
look-night = Night
units = Units
units-metric = cm, m, °C
units-us = in, ft, °F
units-hint = Product stays in mL, as the label has it. The picture of the holes stays in cm.
change-who = Person, kit and job
storage-asking = Asking the browser how much room there is …

## Today
next = Next
next-overdue = Tree { $tag }: time is over
next-overdue-why = No uptake in the label's time. Stop, recover the product, log it. Never raise the pressure.
next-missing-crew = Ask the office
next-missing-person = Choose who works
next-missing-kit = Choose the kit
next-missing-fill = Fill the kit
next-missing-label = Fill the kit
next-missing-purpose = Choose the purpose
next-charge = Charge tree { $tag }
next-finish = Wait for tree { $tag }
next-tree = Tree { $tag }
next-list = List the first tree
next-close = Close the day
next-find = Find a tree
count-treated = Treated
count-left = Left
count-not = Not treated
of-the-mix = of the mix
in-product = That is { $volume } mL of product.
in-brackets-product = {" "}(in product)
sums-of-product = The sums are of product; what is typed below is of the mix.
volumes-of-mix = Volumes here are of the mix, as the scale shows it.
volumes-of-product = Volumes here are of product, not of the mix.
in-kit = In the kit
charges-left = Charges left
first-aid = First aid
log-incident = Log an incident
exchange = Exchange
office-asks = The office asks
your-answer = Answer
send-answer = Answer
answered = Answered.
say-answer = Write something first.

## Trees
find-tag = Tag
new-tree = New tree
place-known = Nearest first; position good to { $accuracy }.
place-unknown = Position not known yet: trees by tag.
more-trees = { $count ->
    [one] One more: type more of the tag.
   *[other] { $count } more: type more of the tag.
}
no-such-tree = No tree like that in this job.
state-treated = treated
state-not = not treated
state-left = to do
state-open = being treated
may-be-listed = Is it one of these?
species = Species
species-unknown = species not known
tag = Tag
tag-hint = As it stands on the tree.
list-tree = List it
other-species = Another species
other-species-hint = EPPO code, for example FRXAM.
stems = Stems
stems-hint = How many, when it forks below breast height.
listed = Tree { $tag } listed.
tag-taken = Tag { $tag } stands on a tree already: read it again.
say-tag = Type the tag.
say-stems = How many stems? A whole number.
stem = Stem
stem-is = Stem { $stem }
stem-of = Stem { $stem } of { $of }
diameter = Diameter
not-measured = not measured
measure = Measure
measure-again = Measure again
plan = Plan
look-at = Condition
not-treat = Not treat
add-note = Add a note
log-note = Log note
note-logged = Note logged.
treated-by = TREATED on { $day } by { $crew }: stem { $stem }, { $count ->
    [one] one hole
   *[other] { $count } holes
}, { $volume } mL of product.
decided-against = A crew decided not to treat this tree.

## Measuring
breast-height = At { $height } above ground.
reading = Reading
what-measured = What does the tape show?
girth = Girth
unit = Unit
log-diameter = Log it
more-measures = Bark, drilling band, slope
bark = Bark thickness
bark-hint = mm, or inches when the tape is in inches.
band-low = Girth at the bottom of the band
band-high = Girth at the top of the band
datum = Breast height taken from
datum-level = level ground
datum-uphill = uphill side
datum-mid = middle of the slope
measured = Diameter { $diameter }.
say-what-measured = Girth or diameter?
say-unit = Which unit?
say-reading = Type what the tape shows.
canopy = Canopy lost (%)
canopy-hint = 0 when it is full.
bloom = Bloom
bloom-none = None
bloom-before = Soon
bloom-in = In bloom
bloom-after = Over
food = Is its sap, fruit, nuts or leaves eaten?
soil = Soil
soil-dry = Dry
soil-moist = Moist
soil-saturated = Saturated
soil-temperature = Soil temperature
air = Air
as-earlier-today = As earlier today: change it if it has changed.
log-condition = Log it
condition-logged = Condition logged.
damage = Damage on the trunk
damage-what = What is it?
damage-wound = Wound
damage-canker = Canker
damage-included-bark = Included bark
damage-fold = Fold
damage-earlier-hole = Earlier hole
damage-from = Begins at
damage-to = Ends at
damage-hint = Around the trunk, clockwise from the mark, seen from above.
water = Distance to open water or a well
pest = Pest seen
pest-hint = EPPO code.
felling = Day it is to be felled
metal = Metal in the wood
metal-hint = what and where, for whoever drills
say-day = A day is written YYYY-MM-DD.
say-arc = Where does the damage begin and end?
why-not = Why is it not treated?
not-too-small = Too small
not-too-far-gone = Too far gone
not-wrong-species = Species not on the label
not-no-uptake = No uptake
not-trunk-damage = Trunk too damaged
not-not-reached = Not reached or found
not-refused = Owner refused
not-conditions = Weather or soil
not-other = Something else
log-not = Log it
say-reason = Choose a reason.
say-other = Say in the note what else.
not-treated-logged = Tree { $tag }: not treated.

## Plan
do-not-treat = Do not treat
read-before = Read before the first hole
label-says = The label says
have-read = I have read this
read-first = Read the label's cautions first.
stopped = Something stops this treatment: see above.
measure-first = Measure the stem first.
begin = Begin drilling
label-decides = The label and local law decide; a licensed applicator treats or supervises.
handling = What to mind
dose-is = { $total } mL. Usual { $usual } mL; the label allows { $least } to { $most } mL.
picture-title = Tree { $tag }, stem { $stem }
holes = Holes
hole = Hole
arc = Around
height = Height

## Treating
board-empty = No tree is being treated.
mind = What to mind
begun-at = Begun at { $at }.
containers-on = { $count ->
    [one] The container is on
   *[other] All { $count } containers are on
}
not-begun = Not begun after all
cancel-too-late = Containers were on: log what went in.
on-since = On since { $at }.
on-since-limit = On since { $at }; the label gives { $minutes ->
    [one] { $minutes } minute
   *[other] { $minutes } minutes
}.
hold-after = Leave each on for { $seconds ->
    [one] { $seconds } second
   *[other] { $seconds } seconds
} after it has emptied.
uptake-over = The label's time is over.
finish = Take off and log
not-on-yet = They are not on yet
not-open = This stem is not being treated.
not-on = The containers were not logged as on.
which-differ = Tap each hole where something differed.
as-planned = as planned
all-full-sealed = { $count ->
    [one] Full, removed, sealed
   *[other] All { $count } full, removed, sealed
}
all-full-open = { $count ->
    [one] Full, removed, left open
   *[other] All { $count } full, removed, left open
}
all-full-sealed-others = { $differ } as marked, { $count ->
    [one] the other one
   *[other] the other { $count }
} full, all removed, sealed
all-full-open-others = { $differ } as marked, { $count ->
    [one] the other one
   *[other] the other { $count }
} full, all removed, left open
finish-hint = Tap only when every container is off. 'Full' means: all of its charge went in.
treated-logged = Tree { $tag }: { $volume } mL into { $count ->
    [one] one hole
   *[other] { $count } holes
}. Logged.
hole-planned = Hole { $hole }, at { $arc }: { $charge } mL planned.
what-differs = What differed?
took-part = Took only part
took-nothing = Took nothing
it-leaked = Leaked
took-all = Took all
differs-amount = How much (mL)
differs-hint = Part: what went in. Leaked: what came out.
hole-closed = Is this hole closed?
reseated = Did the container come loose?
was-reseated = put on again
sealed = Sealed
left-open = Left open
was-sealed = sealed
was-left-open = left open
mark-hole = Mark it
as-planned-after-all = As planned after all
hole-took = { $putin } mL went in; { $sealed }
hole-leaked = { $putin } mL went in, { $leaked } mL leaked; { $sealed }
say-what-differs = Choose what differed.
say-sealed = Is the hole sealed or open?
say-amount = How much, in mL?
more-than-charge = More than the { $most } mL of this charge.

## Kit
fill-kit = Fill
log-movement = Primed, spilled, returned …
lot = Lot
nothing-filled = nothing filled yet
fill-limit = Fill at most
pressure-limit = Never above
pressure-band = Work between
inspection-due = Inspection due
relief-due = Relief valve due
which-purpose = { $label }: what for?
list-morning = Before the first tree
list-evening = At day's end
lists-hint = Ticks last for today and are yours alone; the kit's manual and the label come first.
step-inspected = Kit and relief valve: inspected, dates good
step-read-off = Registration number and lot read off the container
step-under-limit = Filled under the limit, head space left
step-valves-closed = All valves closed
step-air-set = Air set under the lowest rating, then pressurised
step-disconnected = Air source disconnected
step-purged = Lines purged
step-leak-checked = Leak check, and again after ten minutes
step-pressure-off = All pressure released, before anything is loosened
step-drained = Drained
step-cleaned = Cleaned
step-rinsate = Rinsate kept as the label says
step-empties = Empty containers kept as the label says
fill-lead = { $kit }: at most { $limit } mL.
lot-read = Lot, read off the container
registration-read = Registration number, read off the container
read-off-hint = Read it now, each time.
fill-amount = Filled in (mL)
log-fill = Log the fill
filled = { $volume } mL of lot { $lot } filled.
say-lot = Type the lot number.
say-registration = Type the registration number.
lot-unknown = Lot { $lot } is not in the yard's list: read it again, or ask the office.
registration-differs = The container says { $read }, the label { $label } says { $wanted }. Find out which product this is before filling.
over-fill-limit = More than the { $most } mL this reservoir may be filled with.
what-moved = What happened?
moved-primed-or-tested = Primed or tested
moved-returned = Given back
moved-spilled = Spilled
moved-disposed = Disposed of
moved-in-kit = Measured in the kit
amount-ml = How much (mL)
how-found = How was it found?
found-measured = Measured
found-estimated = Estimated
moved = { $volume } mL logged.
say-what-moved = Choose what happened.
cautions = Cautions
registration = Registration
active = Active ingredient

## Day's end
already-closed = This day is closed already. Closing again adds a second closing.
today-sums = Today, this crew
sum-treated = Trees treated
sum-not = Trees not treated
sum-filled = Filled into the kit
sum-put-in = Put into trees
sum-leaked = Leaked at holes
sum-primed = Primed, tested
sum-returned = Given back
sum-spilled = Spilled
sum-disposed = Disposed of
sum-should = Should be in the kit now
close-open = A tree is still being treated: finish it first.
measured-in-kit = Measured in { $kit } (mL)
measured-hint = Measure it; do not copy the figure above.
measure-kit = Measure what is in { $kit }, or type 0.
containers-out = Containers on trees
none-out = None is out
say-none-out = Look: is no container left on a tree?
close-day = Close the day
day-closed = Day { $day } closed.
unsent = { $count ->
    [one] One entry waits since { $since }.
   *[other] { $count } entries wait since { $since }.
}
all-sent = Everything is at the office's server.
exchanged-at = Last exchange at { $at }.
exchange-now = Exchange now
exchanging = Exchanging …
exchanged = Exchanged: { $sent ->
    [one] { $sent } line
   *[other] { $sent } lines
} given, { $received } taken in.
kept-here = Nothing is lost: it is all kept here and goes with the next exchange.
share-bundle = Hand over as a file
bundle-hint = For a day without signal: the office takes the file in. It holds no names.
help-first = Help first: the label's first aid, then the doctor or poison centre.
what-happened = What happened?
incident-exposure = Exposure
incident-injury = Injury
incident-spill = Spill
incident-bystander = Bystander
incident-damage = Damage
incident-text = What happened
incident-hint = No health details of a named person.
incident-done = What was done at once
incident-told = Who was told, with commas between
incident-tree = Tag of the tree
incident-logged = Incident logged.
say-what-happened = Say what happened.
say-what-was-done = Say what was done at once.

pressure = Reservoir pressure
pressure-hint = As read while charging; may be left out.
finish-theirs = Finish this treatment
correct = Correct an entry
correct-hint = A struck entry stays readable. Only your own device's entries can be struck; others are a proposal to the office.
which-record = Which one is wrong?
why-struck = Why?
strike = Strike it
struck = Struck, and still readable.
say-which-record = Choose the entry.
say-why-struck = Say why it is wrong.
supervisor = Certified applicator in charge
supervisor-none = Nobody else
photo = Take a photo
photo-kept = Photo kept.
photos-wait = { $count ->
    [one] One photo waits.
   *[other] { $count } photos wait.
}
photo-progress = Photo { $number } of { $of }, { $percent } %
photos-line = The line dropped. What the server has of them stays there, and the rest goes on with the next line.
photos-too-large = One is larger than the server takes. It stays on this device: show it to the office.
photos-no-picture = The server does not take one for a picture. It stays on this device: show it to the office.
photos-quota = The server takes no more from this device today. The rest goes tomorrow.
photos-closed = The server does not take one yet: its entry is not there, or its job is not open to this device.
photos-storage = The device could not read one of them.
photos-refused = The server could not take them now. They are tried again.
no-signal = No signal, or the server does not answer.
somebody-else = Somebody else

## Map, scanning, speech
title-map = Map
no-places = No tree here has a place yet.
as-list = As a list
map-title = { $count ->
    [one] One tree
   *[other] { $count } trees
} within { $reach }, north up.
north = N
scan-tag = Scan a tag
scan-lot = Scan the lot
scan-live = with the camera
scan-stop = Stop the camera
camera-refused = The camera may not be used, or there is none. Allow it in the browser, take a photo of the code, or type it.
scan-none = No code was found in the picture. Hold the camera closer, without shadow, or type it.
scan-code = Scan the code
speech = Spoken hints
speech-off = Off
speech-on = On
speech-hint = While the screen is on: what is overdue, and what went wrong.
say-over = { $tag }: the label's time is over. Take the containers off.
update-waits = A new version of the app is here. It is taken once every window of this one is closed; nothing has to be done now.
which-is-it = None of these?
another-tree = No, another tree
may-be-this = This may be { $tag }, which stands here and is of the same species. Open it above, or say that it is another tree.

## Gauge and calibration
gauge = Gauge
gauge-look = What does it say?
gauge-hint = Worked for sea level; higher up it is a few charges more. The gauge decides.
gauge-in-band = { $gauge } is within the working band.
gauge-low = { $gauge } is below the working band: add air.
gauge-high = { $gauge } is above the working band: let air off before going on.
gauge-first = First reading { $gauge } at { $at }. Read again after ten minutes.
air-put-on = Air was put on now
air-on-at = Air put on at { $at }. Let it settle for ten minutes.
air-noted = Noted. Read the gauge after ten minutes, and again after ten more.
say-gauge = Type what the gauge shows.
say-air = Type the temperature of the air.
title-calibrate = Calibrate
calibrate-lead = Charge, and measure each charge in a cylinder, one by one.
container = Container
say-container = Choose the container.
charges-found = Charges found (mL)
charges-found-hint = One after another with spaces between: 9.8 10.1 10.0
log-it = Log it

## Amending
title-amend = Amend
amend-this = Amend: { $what }
amend-hint = The entry as it was stays readable. Another device's entry is only a proposal to the office.
log-amendment = Log the amendment
amended = Amended. What stood before stays readable.
not-to-amend = This entry cannot be amended here: strike it, and log it anew.
nothing-changed = Nothing is changed.
which-hole = Which hole
say-which-hole = Type the number of the hole.
took-ml = Took (mL)
leaked-ml = Leaked (mL)
blank-stays = Left empty, it stays as it is.

## The office
office-changed = The office changed
office-struck = { $what } of { $tag } struck: { $reason }
office-amended = { $what } of { $tag } amended
office-signed = The day { $day } is signed off
kind-application = Treatment
kind-diameter = Diameter
kind-condition = Condition
kind-not-treated = 'Not treated'
kind-tree = Listing

# Several kits

kits-on-truck = Kits on the truck
kit-charges = { $count ->
    [one] { $count } charge
   *[other] { $count } charges
}
also-in-use = Also used on this tree
also-hint = Choose a second kit here when one may not last. Both must hold the same product.
apart-empty = { $kit }: no fill of it is logged.
apart-product = { $kit } holds { $holds }; this treatment is with { $wanted }. One tree gets one product.
apart-charges = { $kit } would give other charges. Finish with what went in, then plan the rest with it.
apart-stops = { $kit } may not be used now.
title-kits = Kits for { $tag }
another-kit = Another kit
kits-lead = From which hole on does the charge come from another kit?
kits-hint = The holes before it stay with the kit they have.
kit-not-now = Not with this kit
from-hole = From hole
set-kit = Charge from this kit
say-which-kit = Say which kit.
say-from-hole = Say from which hole on.
kit-of-hole = From which kit its charge came
other-product = That kit holds another product. Do not charge this tree from it. If it was done, log an incident and call the office.
holes-from = { $count ->
    [one] Hole { $holes }: { $kit }
   *[other] Holes { $holes }: { $kit }
}

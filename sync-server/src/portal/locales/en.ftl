# The client portal, English. A translator copies this file; what is left out falls back to it.
title = Record of tree treatment
for-client = For { $client }
season = Season { $season }
only-signed = This page shows the days that { $company } has checked and signed off. It changes nothing and needs no account.
nothing-yet = No day has been signed off yet. Come back later.
done = What was done
trees-treated = { $count ->
    [one] { $count } tree treated
   *[other] { $count } trees treated
}
trees-not = { $count ->
    [one] { $count } tree looked at and not treated
   *[other] { $count } trees looked at and not treated
}
days-signed = { $count ->
    [one] { $count } working day signed off
   *[other] { $count } working days signed off
}
product-in = { $litres } litres of product put in
list = Tree by tree
tag = Tree
species = Species
diameter = Diameter
day = Day
crew = Crew
by = Applied by
supervised = supervised by { $name }
licence = Licence { $number }
name-erased = name erased ({ $id })
product = Product
registration = Registration { $number }
lot = Lot
amount = Amount
why-not = Why not
not-treated-list = Trees not treated
unknown = unknown
cautions = Cautions
caution-first = The product's label and the law come first. In doubt ask { $company } before you rely on this page.
caution-person = If product got on someone's skin, into their eyes or was swallowed, get medical help at once and show the product's name and registration number below. Product under the skin is a hospital emergency even if it does not hurt.
caution-harvest-never = The label of { $product } does not allow its use on trees whose sap, fruit, nuts or leaves are eaten. Do not harvest from treated trees.
caution-harvest-ask = Do not harvest sap, fruit, nuts or leaves from a tree treated with { $product } before { $company } has told you what its label says.
caution-bees = The label of { $product } does not allow treatment before or during bloom, for the sake of bees.
caution-felling = The label of { $product } asks for { $days } days between treatment and felling.
caution-holes = Leave the closed holes at the foot of the trunk alone, and keep children and animals from touching them on the day of treatment.
caution-wood = Before a treated tree is felled, chipped or composted, ask { $company }.
label-says = In the label's own words
first-aid = First aid, in the label's own words
products = Products used
ingredients = Active ingredients
map = Map
map-words = The list below says the same in words.
treated = treated
not-treated = not treated
left = nothing signed off yet
stop = to settle
without-place = without a place
provisional = Provisional
provisional-text = Work that is not signed off yet. It may still change; it is told here because the law or a doctor may need it the same day.
provisional-day = { $day }, crew { $crew }: { $product }, registration { $number }
canopies = Canopies, then and now
canopies-text = Trees by how much of the canopy was lost, at the last look of each season. The small figures say within which share of all trees the true one lies with 95 % certainty, if trees were alike by chance only.
canopies-seen = { $count } looked at
canopy-lost = Canopy lost
canopies-held = Of { $count } trees treated in season { $then } and looked at again in season { $now }, { $held } are in the same class or a better one ({ $share }). Which trees to treat was chosen by their state, so this is no trial.
canopies-not-again = { $count } trees looked at in season { $then } were not looked at again in season { $now }: removed, dead or not reached. They are in no share.
photos = Photos
photos-text = Taken by the crew on days that are signed off. What a camera writes beside a picture, its place among it, is taken out.
photos-none = No photo of this work is signed off yet.
photo-of = Photo of tree { $tree }, { $day }
photos-all = { $count ->
    [one] The one photo
   *[other] All { $count } photos
}
photos-not = { $count ->
    [one] { $count } more photo cannot be shown here. Ask { $company }.
   *[other] { $count } more photos cannot be shown here. Ask { $company }.
}
data = The data
data-text = These files hold what this page shows. Each names the state of the books it was made from.
file-records = Application records (CSV)
file-records-eu = Application records with the elements of (EU) 2023/564 (CSV)
file-report = The report (PDF): it names the state of the books it shows
file-map = Treated trees for a map program (GeoJSON)
file-package = Records and map in one archive that says what each column means (Data Package)
file-picture = The map as a picture (SVG)
verify = Checking a copy
verify-text = The same state always gives the same bytes. Compare the SHA-256 of a file you have with the one here; { $company } can make the file again from its books at this state.
state = State of the books
job-heads = Heads of the job's book
yard-heads = Heads of the company's book
page-of = Page { $page } of { $pages }
previous = Previous
next = Next
link-until = This link opens until { $day }. Who has it can read this page.
over-title = This link is over
over-text = It was withdrawn, or its time has passed. Ask the company that gave it to you for a new one.
language = Language
reason-too_small = the stem is below the label's smallest diameter
reason-too_far_gone = the canopy is too far gone
reason-wrong_species = the label does not allow the species
reason-no_uptake = the tree took up nothing in the label's time
reason-trunk_damage = the trunk is too damaged to drill
reason-not_reached = it could not be reached or found
reason-refused = the owner said no
reason-conditions = weather or soil were against it
reason-other = another reason; ask us

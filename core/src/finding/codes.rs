//! Every code of a finding: its name, severity, how it is settled, what to do, where the rule comes from.
//!
//! One table; `docs/findings.md` is written from it.

use super::{Ruled, Severity};

macro_rules! codes {
    ($($(#[$doc:meta])* $variant:ident = $name:literal, $severity:ident, $ruled:ident, $next:literal, $source:literal;)*) => {
        /// What a finding is about. Each has one severity, one next step and one source.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Code {
            $($(#[$doc])* $variant,)*
        }

        impl Code {
            /// Every code.
            pub const ALL: &[Code] = &[$(Code::$variant,)*];

            /// Its stable name.
            pub const fn name(self) -> &'static str {
                match self { $(Code::$variant => $name,)* }
            }

            /// How grave it is.
            pub const fn severity(self) -> Severity {
                match self { $(Code::$variant => Severity::$severity,)* }
            }

            /// How it can be settled by ruling.
            pub const fn ruled(self) -> Ruled {
                match self { $(Code::$variant => Ruled::$ruled,)* }
            }

            /// What to do.
            pub const fn next(self) -> &'static str {
                match self { $(Code::$variant => $next,)* }
            }

            /// Where the rule comes from.
            pub const fn source(self) -> &'static str {
                match self { $(Code::$variant => $source,)* }
            }
        }
    };
}

codes! {
    /// More product discharged than the label allows for the stem.
    DoseOverLabel = "dose.over_label", Stop, Confirmed,
        "Check the holes and the diameter with the crew; amend what was logged wrong, or confirm the violation and report it as the law asks.",
        "the label's rate row";
    /// Less product taken up than the label's least rate.
    DoseUnderLabel = "dose.under_label", Review, Accepted,
        "Ask why: no uptake, too few holes that fit, or a hole not logged. Never add product without a new plan within the label.",
        "the label's rate row";
    /// The diameter has no rate row, or lies below the label's smallest.
    DoseBelowSmallest = "dose.below_smallest_diameter", Stop, Confirmed,
        "Measure again; amend the diameter, or confirm the violation and report it as the law asks.",
        "the label's smallest diameter";
    /// No rate could be worked out for what was applied.
    DoseNoRate = "dose.no_rate", Stop, Confirmed,
        "Check purpose, species and diameter against the label; amend what was logged wrong, or confirm the violation.",
        "the label's rate table";
    /// The label's limit for a tree and season is passed.
    DoseSeasonLimit = "dose.season_limit", Stop, Confirmed,
        "No further treatment this season. Amend what was logged wrong, or confirm the violation and report it as the law asks.",
        "the label's limit per tree and season";
    /// Treated again before the label's interval was over.
    DoseTooSoon = "dose.too_soon", Stop, Confirmed,
        "Check the dates and which tree it was; amend what was logged wrong, or confirm the violation.",
        "the label's shortest interval between treatments";
    /// The species is not one the label allows.
    DoseSpecies = "dose.species_not_on_label", Stop, Confirmed,
        "Check the species; amend it, or confirm the violation and report it as the law asks.",
        "the label's list of species";
    /// The label is unknown, not confirmed by a second person, or past its last day.
    LabelNotUsable = "label.not_usable", Stop, Confirmed,
        "Have a second licensed person confirm the label, or amend which label was used.",
        "design rule: a label is usable after a second licensed person re-entered it";
    /// Two applications to one stem that do not belong together.
    TreatedTwice = "tree.treated_twice", Stop, Accepted,
        "Ask both crews. If one finished the other's work, amend it to continue that application; if the tree was mistaken, amend the tree; both applications stay on record.",
        "common practice, no source: a tree is treated once";
    /// One tag on two trees.
    SameTag = "tree.same_tag", Review, Accepted,
        "Look at both on the map; amend the tag that was read wrong, or join the trees if they are one.",
        "common practice, no source: a tag names one tree";
    /// Two listed trees that may be one.
    MayBeSame = "tree.may_be_same", Review, Accepted,
        "Compare position, species, diameter and photos; join them if they are one tree, accept if they are two.",
        "record linkage on position, tag, species, diameter and visits (Fellegi and Sunter 1969): docs/same-tree.md";
    /// Diameters of one stem that disagree beyond the tape's tolerance.
    DiametersDisagree = "diameter.disagree", Review, Accepted,
        "Measure again or ask which is right, and strike or amend the other.",
        "tape tolerance ±0.1 in per 20 in of diameter (plot protocol built on USDA FIA Phase 2, second hand)";
    /// A figure no tree, tape or container can give.
    Implausible = "entry.implausible", Stop, Accepted,
        "Ask the crew what was meant and have it amended.",
        "limits of the entry check (docs/record-format.md)";
    /// Dated after it had already arrived.
    ClockAhead = "entry.in_future", Review, Accepted,
        "Set the device's clock; amend the time if it matters for an interval.",
        "the server's signed receipt";
    /// Dated before a server's receipt that its writer had seen.
    Backdated = "entry.backdated", Review, Accepted,
        "Ask the crew when it was done; amend the time if it matters for an interval, and set the device's clock.",
        "the server's signed receipt";
    /// A record about a tree no one has listed.
    UnknownTree = "tree.unknown", Stop, Accepted,
        "The tree's own record is missing, struck or held: exchange with the crew that listed it, or amend the reference.",
        "design rule: every application names a listed tree";
    /// A lot that is not in the yard's list.
    LotUnknown = "lot.unknown", Stop, Accepted,
        "Read the lot off the container, enter it, or amend the application.",
        "40 CFR 171.303(b)(7)(vi): product and registration number are recorded";
    /// A lot past its last day.
    LotExpired = "lot.expired", Stop, Confirmed,
        "Check the lot number; amend it if it was read wrong, or confirm the violation. Take the lot out of use.",
        "the lot's expiry date";
    /// A lot taken out of use by its maker or the office.
    LotRecalled = "lot.recalled", Stop, Confirmed,
        "Stop using the lot; confirm what was done and follow the recall notice.",
        "the lot's recall";
    /// A lot that belongs to another label than the application names.
    LotOfOtherLabel = "lot.other_label", Stop, Accepted,
        "Find out which product was in the kit; amend label or lot.",
        "design rule: a dose is worked from the label of the product used";
    /// No licence that lets this person apply on that day, alone or supervised.
    LicenceMissing = "licence.not_valid", Stop, Confirmed,
        "Enter the licence if it exists, amend who applied, or confirm the violation and report it as the law asks.",
        "40 CFR 171.303: application by or under a certified applicator";
    /// A text that cannot be read as a record.
    Unreadable = "record.unreadable", Review, Accepted,
        "Update this Bolebook if a newer one wrote it; otherwise ask the device's crew what it was.",
        "record format";
    /// One id with different texts.
    Conflicting = "record.conflicting", Stop, Accepted,
        "None of the texts wins. Have the device looked at, and amend the record naming what is true.",
        "design rule: same id, different bytes";
    /// Two amendments made apart.
    AmendedTwoWays = "record.amended_two_ways", Review, Accepted,
        "Decide which is right and amend once more, replacing both.",
        "design rule: no amendment silently wins";
    /// Struck by someone who did not know its amendment.
    AmendedAndStruck = "record.amended_and_struck", Review, Accepted,
        "The fact still counts. Strike it again knowing the amendment, or leave it and accept.",
        "design rule: no strike silently wins";
    /// A record that names another device than its author.
    WrongAuthor = "record.wrong_author", Stop, Accepted,
        "Held. Find out which device wrote it before admitting it.",
        "design rule: attribution follows the signature";
    /// A record held: not vouched for, revoked, or without certificate.
    Held = "record.held", Stop, Accepted,
        "Not in force. Admit it with a reason if the work was really done, or accept that it stays out.",
        "design rule: authorship is proven by signature and certificate";
    /// A change without authority.
    Proposal = "record.proposal", Review, Accepted,
        "Shown, without effect. Make the change from the office if it is right, or accept that it stays out.",
        "design rule: who may amend, strike and rule";
    /// A reference without effect.
    BadReference = "record.bad_reference", Review, Accepted,
        "The record stands by itself, so nothing is hidden. Strike or amend it if it was meant otherwise.",
        "design rule: amendments and strikes act on records in their past";
    /// Work that arrived after its day was signed off.
    AfterSignOff = "record.after_sign_off", Review, Accepted,
        "Re-open the day if it changes the record, or accept it as late.",
        "design rule: what arrives late is visible as such";
    /// The job follows on a season whose book is not at hand.
    EarlierSeasonMissing = "job.earlier_season_missing", Review, Accepted,
        "Exchange with the server that has the earlier season's book, or import its bundle: without it, intervals and season limits are judged by this book alone. If the book is lost, look the trees' last treatments up on paper before treating, and accept with the reason.",
        "design rule: interval and season checks look back across books";
    /// A day was signed off while a stop of it was not settled.
    SignedPastStop = "day.signed_past_stop", Stop, Accepted,
        "Re-open the day, settle its stops, and sign it off again; or accept with the reason why it stands. Find out which program signed it: this one refuses to.",
        "design rule: a day is signed off only when no stop of it is unsettled";
    /// A photo's record came long ago, and its bytes did not.
    PhotoNotReceived = "photo.not_received", Review, Accepted,
        "Exchange with the device that took it, while it still has the bytes. If they are lost, accept with a reason: the record stays, and says so.",
        "design rule: a photo's bytes are the server's word, 12 hours after its record (common practice, no source)";
    /// Containers still on trees at the day's closing.
    ContainersOut = "day.containers_out", Stop, Accepted,
        "Do not leave: a container that has not emptied is under pressure. Remove as label and kit manual say, log it, close the day again.",
        "common practice, no source: nothing stays on a tree unattended";
    /// A crew worked but did not close its day.
    NotClosed = "day.not_closed", Review, Accepted,
        "Have the crew measure its kits and close the day.",
        "design rule: on hand and in the kit are measured, not derived";
    /// A crew's day whose product does not add up.
    DayUnexplained = "balance.day_unexplained", Review, Accepted,
        "Look for a fill, hole or spill that was not logged, or a kit read wrong; log it, or accept with a reason.",
        "conservation of volume, tolerance from charge uncertainty (JCGM 100)";
    /// A lot whose stock does not add up.
    StockUnexplained = "balance.stock_unexplained", Review, Accepted,
        "Look for a fill or delivery that was not logged, or count the stock again; log it, or accept with a reason.",
        "conservation of volume";
    /// More product on an area than the label allows in a season.
    AreaLimit = "dose.area_limit", Stop, Confirmed,
        "No further treatment in the block this season. Amend what was logged wrong, or confirm the violation and report it as the law asks.",
        "the label's limit per hectare and season";
    /// A label with a limit per hectare, used in a block without a boundary.
    AreaNotKnown = "dose.area_not_known", Review, Accepted,
        "Draw the block's boundary, or say which block the trees belong to, so that the limit can be reckoned.",
        "the label's limit per hectare and season";
    /// The label says nothing of stems forking below breast height.
    DoseForked = "dose.forked", Stop, Confirmed,
        "Check the number of stems; amend it, or confirm the violation and ask the label's holder.",
        "the label is silent on stems forking below breast height";
    /// Treated without its species being known.
    SpeciesUnknown = "dose.species_unknown", Review, Accepted,
        "Find out the species and amend the tree: a label allows only the species it names.",
        "the label's list of species";
    /// A pest was logged that the label does not name.
    PestNotOnLabel = "dose.pest_not_on_label", Review, Accepted,
        "Check which pest was meant; amend the condition, or have a licensed applicator read the label.",
        "the label's list of pests";
    /// A hole shallower or deeper than the label asks.
    HoleDepth = "hole.depth", Stop, Confirmed,
        "Check the depth with the crew (depth counts from the sapwood); amend it, or confirm the violation.",
        "the label's depth in sapwood";
    /// Two holes closer than the label's spacing.
    HoleSpacing = "hole.spacing", Stop, Confirmed,
        "Check the holes' places with the crew; amend what was logged wrong, or confirm the violation and mark the tree.",
        "the label's spacing; 10 mm for a hole placed by hand: common practice, no source";
    /// A hole below or above the label's band.
    HoleBand = "hole.outside_band", Stop, Confirmed,
        "Check the height with the crew; amend it, or confirm the violation.",
        "the label's height band; 10 mm for a height read by hand: common practice, no source";
    /// More holes in a stem than the label allows.
    HoleTooMany = "hole.too_many", Stop, Confirmed,
        "Check the holes with the crew; amend what was logged wrong, or confirm the violation and mark the tree.",
        "the label's most holes on one stem";
    /// More product at one hole than the label allows.
    HoleCharge = "hole.charge_over_label", Stop, Confirmed,
        "Check the charges with the crew; amend what was logged wrong, or confirm the violation and report it as the law asks.",
        "the label's most product at one hole, and charges a hole";
    /// More at one hole than the kit's containers can hold, for example mix logged as product.
    HoleOverContainer = "hole.more_than_containers_hold", Review, Accepted,
        "Ask the crew what went in, and whether mix was logged as product; amend what was logged wrong.",
        "the kit's containers, the label's charges a hole; a tenth more: common practice, no source";
    /// A hole closed against the label, or left open against it.
    HoleSealing = "hole.sealing", Stop, Confirmed,
        "Ask the crew; amend what was logged wrong, go back and close the holes where the label asks for it, or confirm the violation.",
        "what the label says of closing holes";
    /// A kit with another bit than the label asks for.
    HoleBit = "hole.wrong_bit", Review, Accepted,
        "Find out which bit was used; amend the kit if its record is out of date.",
        "the label's bit diameter";
    /// A container taken off before its time was over.
    HoleRemovedEarly = "hole.removed_early", Review, Accepted,
        "Ask the crew: a container that has not emptied is under pressure, and what it held may have run out.",
        "the label's time a container stays on after emptying";
    /// Much of a stem's product leaked.
    HoleLeaks = "hole.leaks", Review, Accepted,
        "Look at holes, bits and containers with the crew. What leaked was discharged: it is never made up for.",
        "the job's requirements; without them a tenth of what was discharged: common practice, no source";
    /// A container that nobody logged as taken off.
    ContainerNotOff = "hole.container_not_off", Stop, Accepted,
        "Go back and look: a container that has not emptied is under pressure. Remove it as label and kit manual say, and amend the application.",
        "common practice, no source: nothing stays on a tree unattended";
    /// More of the canopy was lost than the label allows.
    ConditionCanopy = "condition.canopy", Stop, Confirmed,
        "Look at the tree again; amend the condition, or confirm the violation.",
        "the label's greatest canopy loss";
    /// Air or soil colder or warmer than the label allows.
    ConditionTemperature = "condition.temperature", Stop, Confirmed,
        "Check the reading; amend the condition, or confirm the violation.",
        "the label's temperatures";
    /// Soil wetter or drier than the label allows.
    ConditionSoil = "condition.soil", Stop, Confirmed,
        "Ask the crew; amend the condition, or confirm the violation.",
        "the label's soil moisture";
    /// Treated before or in bloom, which the label forbids.
    ConditionBloom = "condition.bloom", Stop, Confirmed,
        "Ask the crew; amend the condition, or confirm the violation, and warn whoever keeps bees near it.",
        "the label's rule on bloom";
    /// Treated while label, job or law closes the season.
    ConditionClosed = "condition.closed_season", Stop, Confirmed,
        "Check day and species; amend them, or confirm the violation and report it as the law asks.",
        "closed seasons of the label and of the job";
    /// A tree whose sap, fruit, nuts or leaves are eaten, which the label forbids.
    ConditionFood = "condition.food", Stop, Confirmed,
        "Tell the owner at once that nothing of the tree may be eaten; confirm the violation and report it as the law asks.",
        "the label's rule on trees that give food";
    /// Too near to open water or a well.
    ConditionWater = "condition.water", Stop, Confirmed,
        "Measure the distance; amend it, or confirm the violation and report it as the law asks.",
        "the label's least distance to water";
    /// Treated too short before felling.
    ConditionFelling = "condition.felling", Stop, Confirmed,
        "Have the felling put off as the label asks, or confirm the violation and say what becomes of wood and chips.",
        "the label's least time before felling";
    /// What the label or the job asks to be judged first was not logged.
    NotAssessed = "condition.not_assessed", Review, Accepted,
        "Ask the crew what it saw and have it logged; the label's limits cannot be checked without it.",
        "the label's conditions and the job's requirements";
    /// A stem thinner than it was half a year before or more.
    DiameterShrunk = "diameter.shrunk", Stop, Accepted,
        "A stem does not shrink: measure again, at breast height, and look whether it is the right tree.",
        "common practice, no source: stems grow; tape tolerance as for readings that disagree";
    /// A diameter that its own reading does not give.
    NotAsRead = "diameter.not_as_read", Stop, Accepted,
        "Measure again and amend: the dose was worked from a figure that the tape did not give.",
        "girth ÷ π, exact units";
    /// A tree outside the block it is listed in.
    OutsideBlock = "tree.outside_block", Review, Accepted,
        "Look at the map: amend the tree's block or position, or the block's boundary.",
        "the block's boundary; 15 m for a fix under canopy: common practice, no source";
    /// A crew that stood far from the tree it treated.
    FarFromTree = "place.far_from_tree", Review, Accepted,
        "Ask which tree it was: the tag may have been mistaken. Amend the tree or accept with a reason.",
        "positions with their accuracies; 30 m more: common practice, no source";
    /// A crew in two places, too far apart for the time between.
    OffTrack = "place.off_track", Review, Accepted,
        "Ask the crew where it was: a tree, a time or a crew may have been mistaken.",
        "50 km/h between trees and ten minutes for late taps: common practice, no source";
    /// Times within a record that run backwards.
    Backwards = "time.backwards", Review, Accepted,
        "Ask the crew for the right times and amend them: uptake and intervals are reckoned from them.",
        "design rule: a container comes off after its hole was begun, and work is logged after it was done";
    /// Work that ends on another day than it began, or is logged days later.
    OtherDay = "time.other_day", Review, Accepted,
        "Ask the crew which day it was and amend the times.",
        "design rule: a crew's day is the date in the job's zone";
    /// One kit or person at work in two places at once.
    Overlap = "time.overlap", Review, Accepted,
        "Ask both crews: a kit, a person or a time was mistaken. Amend it.",
        "design rule: one kit is with one crew, one person works in one crew at a time";
    /// A device whose clock was set back.
    ClockSetBack = "time.clock_set_back", Review, Accepted,
        "Ask what happened to the device's clock, and look at the times it wrote before and after.",
        "design rule: a device's own commits run forward in time";
    /// A device whose clock is wrong, by a server's measure.
    ClockOff = "time.clock_off", Review, Accepted,
        "Set the device's clock. Amend times if they matter for an interval.",
        "the server's signed receipt; ten minutes of tolerance";
    /// Work after the crew had closed its day.
    AfterClosing = "day.work_after_closing", Review, Accepted,
        "Have the crew measure its kits again and close the day once more.",
        "design rule: a closing measures what is left after the last tree";
    /// More stems in an hour than a crew can treat.
    TooFast = "crew.too_fast", Review, Accepted,
        "Ask the crew how the hour went: times may have been tapped late, or work not done as logged.",
        "the job's requirements; without them 40 stems an hour: common practice, no source";
    /// One device that two people wrote with by turns.
    TwoPeople = "device.two_people", Review, Accepted,
        "Ask who did what: the record names who was using the device, and the law asks who applied.",
        "40 CFR 171.303(b)(7)(vi): who applied is recorded";
    /// One photo for several trees.
    PhotoReused = "photo.reused", Review, Accepted,
        "Look at the trees: a photo that shows one of them proves nothing of the other.",
        "design rule: a photo's digest names its bytes";
    /// Times as regular as clockwork.
    Clockwork = "work.regular_as_clockwork", Review, Accepted,
        "Ask the crew, and look at some of the trees: real work is not as even as this.",
        "common practice, no source: six stems in a row with one duration and one gap";
    /// One reading on many trees in a row.
    SameReadings = "work.same_readings", Review, Accepted,
        "Measure some of the trees again: neighbours are rarely alike to the last digit.",
        "common practice, no source: six different trees in a row with one reading";
    /// Charges from a lot that was never filled into the kit.
    NoFill = "kit.no_fill", Review, Accepted,
        "Look for a fill that was not logged, or for a mistaken kit or lot; log or amend it.",
        "conservation of volume";
    /// A fill larger than the reservoir may hold.
    FillOverLimit = "kit.fill_over_limit", Stop, Accepted,
        "Release all pressure, take out what is over the mark, and amend the fill if it was logged wrong. The head space is not room for product.",
        "the kit's fill limit";
    /// A fill on top of what was left that passes the limit.
    ContentOverLimit = "kit.content_over_limit", Review, Accepted,
        "Ask what was in the kit when it was filled; look for a charge, return or spill not logged.",
        "the kit's fill limit; content reckoned from fills, charges and measurements";
    /// Pressure above what the kit, the label or the air source allows.
    PressureOverLimit = "kit.pressure_over_limit", Stop, Confirmed,
        "Take the kit out of use and have it inspected; amend the reading if it was logged wrong, or confirm what happened.",
        "the lowest rating among vessel, hose, fittings and label; the air source's limit";
    /// Pressure outside the kit's working band.
    PressureOutsideBand = "kit.pressure_outside_band", Review, Accepted,
        "Ask the crew: below the band charges are short, above it the kit is strained. Calibrate where in doubt.",
        "the kit's working band; the gauge's uncertainty";
    /// A kit that was not fit for work on that day.
    KitNotReady = "kit.not_ready", Stop, Confirmed,
        "Take the kit out of use until it is inspected and its record is right; confirm what was done with it.",
        "design rule: a kit without record or inspection is not pressurised";
    /// Number or lot read off the container that are not those of the lot filled.
    ReadOtherwise = "kit.read_otherwise", Stop, Accepted,
        "Read the container again: find out which product was filled, and amend the fill and what came of it.",
        "design rule: the crew reads number and lot off the container at each fill";
    /// Another product filled on top of what was left.
    OtherProduct = "kit.other_product", Stop, Accepted,
        "Stop using the kit until it is emptied and rinsed; find out which trees got the mixture.",
        "design rule: a dose is worked from the label of the product used";
    /// A gauge that shows the same all day.
    GaugeStuck = "kit.gauge_stuck", Review, Accepted,
        "Compare the gauge with another before the kit is used again: a gauge that sticks hides the pressure.",
        "common practice, no source: ten readings of one kit's day without the least change";
    /// Work without the client's leave.
    NotAuthorised = "job.not_authorised", Stop, Accepted,
        "Enter the authorisation if it exists; otherwise stop the work and ask the client.",
        "common practice, no source: no work on a tree without its owner's leave";
    /// Work before a notice that the job asks for.
    NoticeMissing = "job.notice_missing", Review, Accepted,
        "Enter the notice if it was given; otherwise give it and say why it was late.",
        "the job's requirements";
    /// An incident that nobody was told of and nothing follows.
    IncidentOpen = "incident.no_follow_up", Review, Accepted,
        "Find out how it ended and who was told; write a note about the incident, or amend it.",
        "design rule: an incident says who was told";
    /// Certified, but not in a category or by an authority that counts here.
    WrongCategory = "licence.wrong_category", Stop, Confirmed,
        "Enter the right licence if it exists, amend who applied, or confirm the violation and report it as the law asks.",
        "the job's requirements; 40 CFR 171.303: certification in the category of the work";
    /// Something the record scheme asks for is not there.
    ElementMissing = "law.element_missing", Review, Accepted,
        "Have it logged or entered while it can still be found out.",
        "the record scheme chosen for the job: 40 CFR 171.303(b)(7)(vi), EU 2023/564, or the office's list";
    /// A photo that the job asks for is not there.
    PhotoMissing = "photo.missing", Review, Accepted,
        "Ask the crew for it: it may be on the phone still.",
        "the job's requirements";
    /// Cautions that the applicator has not said to have read.
    CautionUnread = "caution.not_acknowledged", Review, Accepted,
        "Have the person read the label's cautions before the next tree, and say so.",
        "the job's requirements; 40 CFR 171.201: noncertified applicators are instructed";
    /// Changed by the office after the day was signed off.
    ChangedAfterSignOff = "record.changed_after_sign_off", Review, Accepted,
        "Re-open the day and sign it off again if the change is right; the sign-off stood on the record before it.",
        "design rule: what changes after a sign-off is visible as such";
    /// Uptake far slower than that of its peers.
    UptakeSlow = "uptake.slow", Note, Accepted,
        "Look at the tree, its bark and the soil. Slow uptake is never a reason for more pressure.",
        "modified z-score of the logarithm of minutes above 3.5 (Iglewicz & Hoaglin 1993, from memory)";
    /// A kit measured on a day without work, whose product does not add up.
    KitUnexplained = "balance.kit_unexplained", Review, Accepted,
        "Look for a hole, fill or spill not logged since the kit was measured before; log it, or accept with a reason.",
        "conservation of volume, tolerance from charge uncertainty (JCGM 100)";
}

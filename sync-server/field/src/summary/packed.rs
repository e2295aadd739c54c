//! The summary as it is kept beside the books ([`crate::pack`]).

use bolebook_core::record::book_kinds::{Zone, ZoneOffset};
use bolebook_core::record::kit::Kit;
use bolebook_core::record::label::Label;
use bolebook_core::record::stand::{Corner, Position, PositionSource};
use bolebook_core::record::work::NotTreatedReason;
use bolebook_core::view::{TreeCounts, TreeState};

use super::seen::Seen;
use super::{DayVolumes, KitLine, LotLine, QuestionLine, Summary, TreatedLine, TreeLine};
use crate::changed::{Change, ChangedLine};
use crate::pack::{Pack, form, formed, packed, packed_words};

packed! {
    Summary {
        company, title, zone, breast_height_um, counts, trees, blocks, boundaries, crews, members, people,
        kits, lots, labels, labels_now, questions, changed, closed, volumes, not_treated,
    } skipped by_id,
    TreeLine { id, tag, species, block, position, stems, diameters, state, treated, condition },
    TreatedLine { record, stem, crew, day, put_in_ul, leaked_ul, holes, ended_at },
    KitLine { id, kit, filled, content_ul },
    LotLine { id, number, label, expires, recalled },
    QuestionLine { record, text },
    DayVolumes { filled, put_in, leaked, primed, returned, spilled, disposed },
    TreeCounts { listed, treated, not_treated, left },
    ChangedLine { at, crew, change, entry },
    Position { lat_ndeg, lon_ndeg, accuracy_um, source },
    Corner { lat_ndeg, lon_ndeg },
    Zone { name, offsets },
    ZoneOffset { from, offset_s },
}

packed_words!(PositionSource: Self::Gnss, Self::Mapped, Self::Drawn);
packed_words!(
    TreeState: Self::Left, Self::Treated,
    Self::NotTreated(NotTreatedReason::TooSmall),
    Self::NotTreated(NotTreatedReason::TooFarGone),
    Self::NotTreated(NotTreatedReason::WrongSpecies),
    Self::NotTreated(NotTreatedReason::NoUptake),
    Self::NotTreated(NotTreatedReason::TrunkDamage),
    Self::NotTreated(NotTreatedReason::NotReached),
    Self::NotTreated(NotTreatedReason::Refused),
    Self::NotTreated(NotTreatedReason::Conditions),
    Self::NotTreated(NotTreatedReason::Other),
);

macro_rules! in_their_form {
    ($($name:ident),*) => {$(
        impl Pack for $name {
            fn pack(&self, to: &mut Vec<u8>) {
                form(self).pack(to);
            }

            fn unpack(from: &mut &[u8]) -> Option<Self> {
                formed(&String::unpack(from)?)
            }
        }
    )*};
}
in_their_form!(Kit, Label);

impl Pack for Change {
    fn pack(&self, to: &mut Vec<u8>) {
        let (reason, day) = match self {
            Self::Struck(reason) => (Some(reason.clone()), None),
            Self::SignedOff(day) => (None, Some(*day)),
            Self::Amended => (None, None),
        };
        (reason, day).pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        Some(match Pack::unpack(from)? {
            (Some(reason), _) => Self::Struck(reason),
            (None, Some(day)) => Self::SignedOff(day),
            (None, None) => Self::Amended,
        })
    }
}

impl Pack for Seen {
    fn pack(&self, to: &mut Vec<u8>) {
        self.at.pack(to);
        self.text().pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        Some(Self::kept(Pack::unpack(from)?, Pack::unpack(from)?))
    }
}

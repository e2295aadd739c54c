//! Charges of one stem from several kits: which holes got theirs from which.

use bolebook_core::ids::KitId;

use super::treat::{open_stem, put_back};
use super::{ActError, Asked, Done};
use crate::field::Field;
use crate::open_stem::{OpenStem, OtherKit};
use crate::outside::Outside;
use crate::plan;
use crate::state::Screen;

pub(super) async fn perform<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let (tree, stem) = asked.stem()?;
    if asked.word(0)? == "kits" {
        return Ok(Done::to(Screen::Kits(tree, stem)));
    }
    let mut open = open_stem(field, tree, stem)?;
    let kit = asked.filled("kit").ok_or_else(|| field.say("say-which-kit"))?;
    let first: usize =
        asked.filled("hole").and_then(|t| t.parse().ok()).ok_or_else(|| field.say("say-from-hole"))?;
    let index = first.checked_sub(1).filter(|i| *i < open.holes.len()).ok_or_else(|| asked.unknown())?;
    let other = same_product(field, asked, &open, kit)?;
    if other.0 != open.kit && !open.others.iter().any(|o| o.0 == other.0) {
        let ground = field.ground()?;
        let state = field.state();
        if plan::apart_from_open(&state, &ground.summary, &open, other.0, ground.now).is_some() {
            return Err(field.say("kit-not-now"));
        }
    }
    open.charge_from(index, other);
    put_back(field, open).await?;
    Ok(Done::to(Screen::Board))
}

/// A kit named in a field, when what is in it is the open stem's own product.
pub(super) fn same_product<D: Outside>(
    field: &Field<D>,
    asked: &Asked<'_>,
    open: &OpenStem,
    named: &str,
) -> Result<OtherKit, ActError> {
    let kit: KitId = named.parse().map_err(|_| asked.unknown())?;
    let ground = field.ground()?;
    if kit == open.kit {
        return Ok((kit, open.lot, open.started_at));
    }
    match plan::product_of(&ground.summary, kit) {
        Some((lot, label)) if label == open.label => Ok((kit, lot, ground.now)),
        Some(_) => Err(field.say("other-product")),
        None => Err(field.say("missing-fill")),
    }
}

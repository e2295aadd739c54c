//! From what a person says to what is meant: names to ids, and what is known of a tree.
//!
//! What is staged counts as much as what is stored, so that an entry can build on the one before it.

use bolebook_core::facts::{Fact, Facts};
use bolebook_core::ids::{BookId, CrewId, KitId, LabelId, LotId, PersonId, RecordId, TreeId};
use bolebook_core::record::label::Label;
use bolebook_core::record::stand::{Condition, Damage, Diameter};
use bolebook_core::record::{Body, Kind};

use super::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::names::{self, NameError, Named};
use crate::stand_index::StandIndex;

impl<'a> Desk<'a> {
    /// The person a name means.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn person(&self, name: &str) -> Result<PersonId, CliError> {
        let mut there = names::in_yard(self.yard, &self.register, Kind::Person);
        there.extend(self.staged_named(Kind::Person));
        Ok(names::find("person", name, &there)?)
    }

    /// What the register calls a person or client.
    pub fn person_name(&self, id: RecordId) -> String {
        names::person_name(&self.register, id)
    }

    /// The crew meant: named, in use, this device's, or the only one.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn crew(&self, name: Option<&Typed>) -> Result<CrewId, CliError> {
        let there = self.named(Kind::Crew);
        let assumed = self.defaults.crew.or(self.device_crew);
        self.one_of("crew", "--crew", name, assumed, &there)
    }

    /// The kit meant: named, in use, the crew's only one, or the only one there is.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn kit(&self, name: Option<&Typed>, crew: Option<CrewId>) -> Result<KitId, CliError> {
        let there = self.named(Kind::Kit);
        let of_crew = |k: &&Named| crew.is_some() && self.yard.kit(k.id).is_some_and(|kit| kit.crew == crew);
        let own: Vec<&Named> = there.iter().filter(of_crew).collect();
        let assumed = self.defaults.kit.or(if let [one] = own[..] { Some(one.id) } else { None });
        self.one_of("kit", "--kit", name, assumed, &there)
    }

    /// The lot meant: named, or the one last filled into the kit.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn lot(&self, name: Option<&Typed>, kit: Option<KitId>) -> Result<LotId, CliError> {
        let there = self.named(Kind::Lot);
        let assumed = kit.and_then(|kit| self.lot_in(kit));
        self.one_of("lot", "--lot", name, assumed, &there)
    }

    /// The lot last filled into a kit.
    fn lot_in(&self, kit: KitId) -> Option<LotId> {
        let staged = self.staged.iter().rev().find_map(|s| match &s.record.body {
            Body::Fill(fill) if fill.kit == kit => Some(fill.lot),
            _ => None,
        });
        let stored = || {
            let fills = self.yard.facts.in_force(Kind::Fill).map(|fact| self.yard.facts.shown(fact));
            let of_kit = fills.filter_map(|version| match &version.record.body {
                Body::Fill(fill) if fill.kit == kit => {
                    Some((version.record.envelope.at, version.op, fill.lot))
                }
                _ => None,
            });
            of_kit.max().map(|(_, _, lot)| lot)
        };
        staged.or_else(stored)
    }

    /// The label meant, with its id: named, else the lot's.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn label(&self, name: Option<&Typed>, lot: Option<LotId>) -> Result<(LabelId, Label), CliError> {
        let there = names::labels(self.yard);
        let assumed = lot.and_then(|lot| self.yard.lot(lot)).map(|lot| self.yard.label_now(lot.label));
        let id = self.one_of("label", "--label", name, assumed, &there)?;
        let missing = || NameError::Unknown { what: "label", name: id.to_string(), there: vec![] };
        let label = self.yard.label(id).ok_or_else(missing)?;
        Ok((id, label.clone()))
    }

    /// The purpose meant: named, in use, or the label's only one.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn purpose(&self, name: Option<&Typed>, label: &Label) -> Result<String, CliError> {
        let mut there: Vec<String> = label.rates.iter().map(|r| r.purpose.clone()).collect();
        there.sort();
        there.dedup();
        let wanted = name.map(|n| n.text().to_owned()).or_else(|| self.defaults.purpose.clone());
        match (wanted, &there[..]) {
            (Some(wanted), _) => {
                there.iter().find(|p| p.eq_ignore_ascii_case(&wanted)).cloned().ok_or_else(|| {
                    NameError::Unknown { what: "purpose", name: wanted, there: there.clone() }.into()
                })
            }
            (None, [one]) => Ok(one.clone()),
            (None, _) => {
                let why = format!("the label has {}", there.join(", "));
                Err(NameError::Unsaid { what: "purpose", why, option: "--purpose" }.into())
            }
        }
    }

    /// Everything of a kind that can be named, what is staged included.
    pub fn named(&self, kind: Kind) -> Vec<Named> {
        let mut there = names::in_yard(self.yard, &self.register, kind);
        there.extend(self.staged_named(kind));
        there
    }

    fn staged_named(&self, kind: Kind) -> impl Iterator<Item = Named> {
        self.staged
            .iter()
            .filter(move |s| s.record.kind() == kind && s.record.envelope.replaces.is_empty())
            .map(|s| {
                let id = s.record.envelope.id;
                let name = match &s.record.body {
                    Body::Crew(b) => b.name.clone(),
                    Body::Kit(b) => b.name.clone(),
                    Body::Lot(b) => b.number.clone(),
                    _ => names::person_name(&self.new_register, id),
                };
                Named { id, name }
            })
    }

    fn one_of(
        &self,
        what: &'static str,
        option: &'static str,
        name: Option<&Typed>,
        assumed: Option<RecordId>,
        there: &[Named],
    ) -> Result<RecordId, CliError> {
        match (name, assumed, there) {
            (Some(name), _, _) => Ok(names::find(what, name.text(), there)?),
            (None, Some(id), _) => Ok(id),
            (None, None, [one]) => Ok(one.id),
            (None, None, []) => {
                let why = "none is entered yet".into();
                Err(NameError::Unsaid { what, why, option }.into())
            }
            (None, None, _) => {
                let there: Vec<_> = there.iter().map(|n| n.name.clone()).collect();
                let why = format!("there are {}: {}", there.len(), there.join(", "));
                Err(NameError::Unsaid { what, why, option }.into())
            }
        }
    }

    /// The job's trees by tag, with what is staged.
    ///
    /// # Errors
    /// [`NameError::Unsaid`] without a job.
    pub fn stand(&mut self) -> Result<&mut StandIndex, CliError> {
        let view = self.view()?;
        Ok(self.stand.get_or_insert_with(|| StandIndex::read(view)))
    }

    /// The tree a tag or id means.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn tree(&mut self, name: &Typed) -> Result<TreeId, CliError> {
        let view = self.view()?;
        let id = self.stand()?.find(name.text())?;
        Ok(view.stays(id))
    }

    /// A diameter record, stored or staged.
    pub fn diameter_record(&self, id: RecordId) -> Option<Diameter> {
        let staged = self.staged.iter().find(|s| s.record.envelope.id == id).map(|s| &s.record.body);
        let stored = || {
            let facts = &self.view?.facts;
            let fact = facts.fact_of(id)?;
            fact.history
                .iter()
                .map(|v| &facts.versions[*v].record)
                .find(|r| r.envelope.id == id)
                .map(|r| &r.body)
        };
        match staged.or_else(stored) {
            Some(Body::Diameter(diameter)) => Some((**diameter).clone()),
            _ => None,
        }
    }

    /// What is known of a tree's condition, oldest first, with what is staged.
    ///
    /// # Errors
    /// [`NameError::Unsaid`] without a job.
    pub fn conditions(&self, tree: TreeId) -> Result<Vec<Condition>, CliError> {
        let view = self.view()?;
        let attached = view.trees.get(&tree).map(|t| t.conditions.clone()).unwrap_or_default();
        let mut stored: Vec<_> = attached.iter().flat_map(|f| view.facts.current(view.fact(*f))).collect();
        stored.sort_by_key(|v| (v.record.envelope.at, v.op));
        let bodies = stored.iter().map(|v| &v.record.body).chain(self.staged.iter().map(|s| &s.record.body));
        Ok(bodies
            .filter_map(|body| match body {
                Body::Condition(c) if view.stays(c.tree) == tree => Some((**c).clone()),
                _ => None,
            })
            .collect())
    }

    /// Arcs of a stem where no hole may go.
    ///
    /// # Errors
    /// [`NameError::Unsaid`] without a job.
    pub fn damage(&self, tree: TreeId, stem: i64) -> Result<Vec<Damage>, CliError> {
        let past = self.past(tree)?.unwrap_or_default().damage.into_iter().map(|d| d.damage);
        let all = self.conditions(tree)?.into_iter().flat_map(|c| c.damage).chain(past);
        Ok(all.filter(|d| d.stem == stem).collect())
    }

    /// The fact a text names in the job or the yard: an id or its end.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn fact(&self, text: &str) -> Result<(BookId, &'a Fact), CliError> {
        let books = self.view.iter().map(|v| (v.book, &v.facts)).chain([(self.yard.book, &self.yard.facts)]);
        let wanted = text.trim().to_lowercase();
        let mut hits: Vec<(BookId, &'a Fact)> = vec![];
        for (book, facts) in books {
            if let Ok(id) = wanted.parse::<RecordId>() {
                hits.extend(facts.fact_of(id).map(|fact| (book, fact)));
            } else if wanted.len() >= 6 {
                let named = |v: &usize| facts.versions[*v].id().to_string().ends_with(&wanted);
                hits.extend(facts.facts.iter().filter(|f| f.history.iter().any(named)).map(|f| (book, f)));
            }
        }
        match hits[..] {
            [one] => Ok(one),
            [] => Err(NameError::Unknown { what: "record", name: text.to_owned(), there: vec![] }.into()),
            _ => {
                let shown = |(_, f): &(BookId, &Fact)| format!("{} {}", f.kind.name(), f.id);
                let there = hits.iter().map(shown).collect();
                Err(NameError::Ambiguous { what: "record", name: text.to_owned(), there }.into())
            }
        }
    }

    /// The facts of a book that is read: the job's or the yard's.
    pub fn facts_of(&self, book: BookId) -> &'a Facts {
        self.view.filter(|v| v.book == book).map_or(&self.yard.facts, |v| &v.facts)
    }
}

//! The job's trees by tag and their diameters, with what this command staged so far.

use std::collections::BTreeMap;

use bolebook_core::ids::{RecordId, TreeId};
use bolebook_core::quantity::Um;
use bolebook_core::record::stand::Tree;
use bolebook_core::record::{Body, Record};
use bolebook_core::view::View;

use crate::names::NameError;
use crate::output::short;

/// Tags, trees and the last diameter of each stem.
#[derive(Clone, Debug, Default)]
pub struct StandIndex {
    by_tag: BTreeMap<String, Vec<TreeId>>,
    trees: BTreeMap<TreeId, Tree>,
    diameters: BTreeMap<(TreeId, i64), (RecordId, Um)>,
}

fn key(tag: &str) -> String {
    tag.trim().to_uppercase()
}

impl StandIndex {
    /// Reads a job's trees.
    pub fn read(view: &View<'_>) -> Self {
        let mut index = Self::default();
        for (id, tree) in &view.trees {
            let Some(listed) = view.tree(*id) else { continue };
            index.list(*id, listed.clone());
            for fact in &tree.listed_as {
                // A tree joined to this one is still found by its old tag.
                if let Body::Tree(other) = &view.facts.shown(view.fact(*fact)).record.body {
                    let ids = index.by_tag.entry(key(&other.tag)).or_default();
                    if !ids.contains(id) {
                        ids.push(*id);
                    }
                }
            }
            for stem in 1..=listed.stems.clamp(1, 64) {
                let last =
                    view.diameters(tree, stem).max_by_key(|(v, _)| (v.record.envelope.at, v.op, v.id()));
                if let Some((version, diameter)) = last {
                    index.diameters.insert((*id, stem), (version.id(), diameter.diameter_um));
                }
            }
        }
        index
    }

    fn list(&mut self, id: TreeId, tree: Tree) {
        self.by_tag.entry(key(&tree.tag)).or_default().push(id);
        self.trees.insert(id, tree);
    }

    /// Takes a staged record in.
    pub fn add(&mut self, record: &Record) {
        match &record.body {
            Body::Tree(tree) if record.envelope.replaces.is_empty() => {
                self.list(record.envelope.id, (**tree).clone());
            }
            Body::Diameter(diameter) => {
                let value = (record.envelope.id, diameter.diameter_um);
                self.diameters.insert((diameter.tree, diameter.stem), value);
            }
            _ => {}
        }
    }

    /// The tree a tag, an id or the end of an id means.
    ///
    /// # Errors
    /// [`NameError`].
    pub fn find(&self, text: &str) -> Result<TreeId, NameError> {
        let text = text.trim();
        let mut hits = self.by_tag.get(&key(text)).cloned().unwrap_or_default();
        if hits.is_empty() {
            let wanted = text.to_lowercase();
            let named = |id: &&TreeId| wanted.len() >= 6 && id.to_string().ends_with(&wanted);
            hits = self.trees.keys().filter(named).copied().collect();
        }
        match hits[..] {
            [one] => Ok(one),
            [] => Err(NameError::Unknown { what: "tree", name: text.to_owned(), there: self.near(text) }),
            _ => {
                let shown = |id: &TreeId| {
                    let size = self
                        .diameter(*id, 1)
                        .map_or("not measured".into(), |(_, d)| format!("{} cm", d.cm()));
                    format!("[{}] {size}", short(id))
                };
                let there = hits.iter().map(shown).collect();
                Err(NameError::Ambiguous { what: "tree", name: text.to_owned(), there })
            }
        }
    }

    /// Tags next to one in the alphabet: most likely what was meant.
    fn near(&self, text: &str) -> Vec<String> {
        let key = key(text);
        let after = self.by_tag.range(key.clone()..).take(3).map(|(tag, _)| tag.clone());
        let before: Vec<_> = self.by_tag.range(..key).rev().take(3).map(|(tag, _)| tag.clone()).collect();
        before.into_iter().rev().chain(after).collect()
    }

    /// Whether a tag stands on a tree already.
    pub fn has_tag(&self, tag: &str) -> bool {
        self.by_tag.contains_key(&key(tag))
    }

    /// A tree as listed.
    pub fn tree(&self, id: TreeId) -> Option<&Tree> {
        self.trees.get(&id)
    }

    /// A tree's tag, else the end of its id.
    pub fn tag(&self, id: TreeId) -> String {
        self.trees.get(&id).map_or_else(|| short(id), |t| t.tag.clone())
    }

    /// The last diameter of a stem, with its record.
    pub fn diameter(&self, id: TreeId, stem: i64) -> Option<(RecordId, Um)> {
        self.diameters.get(&(id, stem)).copied()
    }
}

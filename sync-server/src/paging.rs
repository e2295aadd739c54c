//! Long lists in parts: `?limit=N&after=ID`, and where the next part is in a `Link` header (RFC 8288).
//!
//! A part is what comes after an id in the order of the ids, so that what is added or taken away
//! meanwhile neither repeats nor hides anything else.

use axum::http::{HeaderName, HeaderValue, header};

use crate::error::ApiError;

/// Most items of a part that is asked for by its length.
pub const MOST: usize = 1_000;

/// Which part of a list is asked for; all of it when nothing is said.
#[derive(Clone, Debug, Default, PartialEq, Eq, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Paging {
    /// Most items of the answer. With it, or with `after`, they come in the order of their ids, and the
    /// header Link says where the next part is.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<usize>,
    /// Only what comes after this id.
    #[param(pattern = "^[0-9a-z-]{1,80}$")]
    after: Option<String>,
}

/// A part of a list.
#[derive(Debug, PartialEq, Eq)]
pub struct Part<T> {
    /// Its items, ascending by id when a part was asked for, else as they were.
    pub items: Vec<T>,
    next: Option<String>,
}

impl Paging {
    /// Out of an address's query; other fields are left alone.
    ///
    /// # Errors
    /// 400 for a limit that is no number from 1 to [`MOST`], or an `after` that is no id.
    pub fn read(query: Option<&str>) -> Result<Self, ApiError> {
        let mut paging = Self::default();
        for (name, value) in form_urlencoded::parse(query.unwrap_or_default().as_bytes()) {
            match &*name {
                "limit" => {
                    let limit = value.parse().ok().filter(|n| (1..=MOST).contains(n));
                    let wrong = || ApiError::bad("limit", format!("'limit' is a number from 1 to {MOST}"));
                    paging.limit = Some(limit.ok_or_else(wrong)?);
                }
                "after" => {
                    let id = !value.is_empty()
                        && value.len() <= 80
                        && value.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
                    if !id {
                        return Err(ApiError::bad("after", "'after' is the id of the last item seen"));
                    }
                    paging.after = Some(value.into_owned());
                }
                _ => {}
            }
        }
        Ok(paging)
    }

    /// Whether all of the list is asked for.
    pub fn whole(&self) -> bool {
        *self == Self::default()
    }

    /// The part of a list that was asked for; `id` names an item, the same at each request.
    pub fn part<T>(&self, mut items: Vec<T>, id: impl Fn(&T) -> String) -> Part<T> {
        if self.whole() {
            return Part { items, next: None };
        }
        items.retain(|item| self.after.as_ref().is_none_or(|after| id(item) > *after));
        items.sort_by_cached_key(&id);
        let limit = self.limit.unwrap_or(MOST);
        let more = items.len() > limit;
        items.truncate(limit);
        let next = items.last().filter(|_| more).map(id);
        Part { items, next }
    }
}

impl<T> Part<T> {
    /// The header that says where the next part is; none after the last.
    pub fn link(&self, path: &str) -> Option<(HeaderName, HeaderValue)> {
        let limit = self.items.len();
        let text = format!("<{path}?limit={limit}&after={}>; rel=\"next\"", self.next.as_ref()?);
        Some((header::LINK, HeaderValue::try_from(text).ok()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_make_the_whole_whatever_their_length_and_say_where_the_next_is() {
        let all: Vec<u32> = (0..25).rev().collect();
        let id = |n: &u32| format!("{n:02}");
        let whole = Paging::read(None).unwrap().part(all.clone(), id);
        assert_eq!((&whole.items, whole.link("/x")), (&all, None));
        for limit in [1, 7, 24, 25, 1_000] {
            let (mut seen, mut query) = (Vec::<u32>::new(), format!("limit={limit}"));
            loop {
                let part = Paging::read(Some(&query)).unwrap().part(all.clone(), id);
                seen.extend(&part.items);
                let Some((_, link)) = part.link("/x") else { break };
                let link = link.to_str().unwrap().to_owned();
                assert!(link.starts_with("</x?") && link.ends_with(">; rel=\"next\""), "{link}");
                query = link[4..link.len() - 13].to_owned();
            }
            assert_eq!(seen, (0..25).collect::<Vec<u32>>(), "{limit}");
        }
    }

    #[test]
    fn what_is_no_limit_and_no_id_is_refused() {
        for wrong in
            ["limit=0", "limit=1001", "limit=x", "limit=-1", "after=", "after=A%0d%0a", "limit=5&after=%22"]
        {
            assert!(Paging::read(Some(wrong)).is_err(), "{wrong}");
        }
        assert_eq!(Paging::read(Some("lang=fr")).unwrap(), Paging::default());
    }
}

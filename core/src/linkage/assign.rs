//! Who is whose twin, when a listing has at most one.
//!
//! Each pair has a weight: the odds that it is one tree when neither listing has a rival. Over all ways
//! to pair the listings up, each as likely as the product of its pairs' weights, the share of those
//! that hold a pair is its probability. It is computed by passing messages along the pairs (belief
//! propagation; for matchings: M. Bayati, D. Gamarnik, D. Katz, C. Nair, P. Tetali, 'Simple
//! deterministic approximation algorithms for counting matchings', Proc. 39th ACM STOC (2007)
//! 122–127, from memory), exact where the pairs form no ring.
//!
//! A fixed number of rounds: a pair's probability depends on nothing but the pairs it hangs together
//! with, which is what lets a part be computed anew alone.

/// Rounds of messages, each half its predecessor: what is left of the start is then below 10⁻⁹.
const ROUNDS: usize = 32;
/// Largest weight: beyond it a pair is certain, and sums stay exact enough.
const MOST: f64 = 1e9;

/// Two listings, by index, with the odds that they are one tree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// One listing.
    pub a: usize,
    /// The other.
    pub b: usize,
    /// Odds, from 0.
    pub odds: f64,
}

/// The probability of each pair; `edges` ascending by listings, each pair once, of listings below `listings`.
pub fn probabilities(listings: usize, edges: &[Edge]) -> Vec<f64> {
    let odds: Vec<f64> = edges.iter().map(|e| e.odds.clamp(0.0, MOST)).collect();
    // What each end of a pair tells the other: how likely it is free of other twins.
    let mut said: Vec<(f64, f64)> = vec![(1.0, 1.0); edges.len()];
    let mut sums = vec![0.0; listings];
    for _ in 0..ROUNDS {
        for edge in edges {
            (sums[edge.a], sums[edge.b]) = (0.0, 0.0);
        }
        for ((edge, odds), (a, b)) in edges.iter().zip(&odds).zip(&said) {
            sums[edge.a] += odds * b;
            sums[edge.b] += odds * a;
        }
        for ((edge, odds), (a, b)) in edges.iter().zip(&odds).zip(&mut said) {
            let free = |sum: f64, own: f64| 1.0 / (1.0 + (sum - odds * own).max(0.0));
            let (new_a, new_b) = (free(sums[edge.a], *b), free(sums[edge.b], *a));
            (*a, *b) = ((*a + new_a) / 2.0, (*b + new_b) / 2.0);
        }
    }
    odds.iter().zip(&said).map(|(odds, (a, b))| odds * a * b / (1.0 + odds * a * b)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every way to pair up, counted out.
    fn counted(listings: usize, edges: &[Edge]) -> Vec<f64> {
        let (mut all, mut with) = (0.0, vec![0.0; edges.len()]);
        for chosen in 0u32..1 << edges.len() {
            let of: Vec<usize> = (0..edges.len()).filter(|i| chosen & (1 << i) != 0).collect();
            let mut twins = vec![0; listings];
            of.iter().for_each(|i| {
                twins[edges[*i].a] += 1;
                twins[edges[*i].b] += 1;
            });
            if twins.iter().all(|n| *n <= 1) {
                let weight: f64 = of.iter().map(|i| edges[*i].odds).product();
                all += weight;
                of.iter().for_each(|i| with[*i] += weight);
            }
        }
        with.iter().map(|w| w / all).collect()
    }

    fn edge(a: usize, b: usize, odds: f64) -> Edge {
        Edge { a, b, odds }
    }

    #[test]
    fn on_chains_and_stars_the_messages_give_what_counting_gives() {
        let cases = [
            vec![edge(0, 1, 3.0)],
            vec![edge(0, 1, 3.0), edge(1, 2, 0.5), edge(2, 3, 20.0)],
            vec![edge(0, 1, 1.0), edge(0, 2, 1.0), edge(0, 3, 0.1), edge(3, 4, 1e6)],
        ];
        for edges in cases {
            for (ours, true_) in probabilities(5, &edges).iter().zip(counted(5, &edges)) {
                assert!((ours - true_).abs() < 1e-6, "{edges:?}: {ours} {true_}");
            }
        }
    }

    #[test]
    fn on_rings_they_are_near_it_and_no_listing_has_more_than_one_twin() {
        let ring = [edge(0, 1, 2.0), edge(0, 3, 5.0), edge(1, 2, 0.7), edge(2, 3, 1.5), edge(1, 3, 0.4)];
        let found = probabilities(4, &ring);
        for (ours, true_) in found.iter().zip(counted(4, &ring)) {
            assert!((ours - true_).abs() < 0.1, "{ours} {true_}");
        }
        for node in 0..4 {
            let sum: f64 =
                ring.iter().zip(&found).filter(|(e, _)| e.a == node || e.b == node).map(|(_, p)| p).sum();
            assert!(sum <= 1.0 + 1e-6, "{node}: {sum}");
        }
    }

    #[test]
    fn other_pairs_that_hang_together_with_none_of_these_change_nothing() {
        let alone = [edge(0, 1, 2.0), edge(1, 2, 3.0)];
        let more = [edge(0, 1, 2.0), edge(1, 2, 3.0), edge(3, 4, 0.2), edge(4, 5, 7.0)];
        assert_eq!(probabilities(6, &alone)[..], probabilities(6, &more)[..2]);
    }
}

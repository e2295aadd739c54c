//! Group means shrunk toward the mean of all: parametric empirical Bayes.
//!
//! Groups with few observations borrow from the others; groups with many keep their own mean.

/// A group's mean and how many observations it is of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroupMean {
    /// The mean.
    pub mean: f64,
    /// Observations, at least 1.
    pub count: usize,
}

/// Group means after shrinking.
#[derive(Clone, Debug, PartialEq)]
pub struct Shrunk {
    /// Variance between groups, 0 or more.
    pub between: f64,
    /// The mean they are shrunk toward.
    pub mean: f64,
    /// For each group, in order: its mean after shrinking and the weight its own mean kept, 0 to 1.
    pub groups: Vec<(f64, f64)>,
}

/// Shrinks group means toward their weighted mean, given the variance of one observation.
///
/// The variance between groups is the moment estimate of DerSimonian & Laird (1986, Controlled
/// Clinical Trials 7:177); a group of n observations is moved toward the mean by V ÷ (V + between),
/// V = variance ÷ n, from four groups on lessened by (k − 3) ÷ (k − 1) for k groups (Morris 1983,
/// J. Am. Stat. Assoc. 78:47). The papers are named from memory. No group, or figures that are not
/// finite, give no result.
pub fn shrink(groups: &[GroupMean], variance: f64) -> Option<Shrunk> {
    let usable = groups.iter().all(|g| g.mean.is_finite() && g.count > 0);
    if groups.is_empty() || !usable || !variance.is_finite() || variance < 0.0 {
        return None;
    }
    let count = groups.len() as f64;
    // Without any spread inside the groups each mean stands for itself.
    if variance == 0.0 {
        let mean = groups.iter().map(|g| g.mean).sum::<f64>() / count;
        let between = groups.iter().map(|g| (g.mean - mean) * (g.mean - mean)).sum::<f64>();
        let between = if groups.len() > 1 { between / (count - 1.0) } else { 0.0 };
        let groups = groups.iter().map(|g| (g.mean, 1.0)).collect();
        return Some(Shrunk { between, mean, groups });
    }
    let of = |g: &GroupMean| variance / g.count as f64;
    let between = between(groups, of);
    let mean = weighted(groups, |g| 1.0 / (of(g) + between));
    let fewer = if groups.len() >= 4 { (count - 3.0) / (count - 1.0) } else { 1.0 };
    let moved = |g: &GroupMean| {
        let toward = fewer * of(g) / (of(g) + between);
        (g.mean + toward * (mean - g.mean), 1.0 - toward)
    };
    Some(Shrunk { between, mean, groups: groups.iter().map(moved).collect() })
}

fn between(groups: &[GroupMean], of: impl Fn(&GroupMean) -> f64) -> f64 {
    let fixed = weighted(groups, |g| 1.0 / of(g));
    let sum: f64 = groups.iter().map(|g| 1.0 / of(g)).sum();
    let squares: f64 = groups.iter().map(|g| 1.0 / (of(g) * of(g))).sum();
    let q: f64 = groups.iter().map(|g| (g.mean - fixed) * (g.mean - fixed) / of(g)).sum();
    let scale = sum - squares / sum;
    let found = (q - (groups.len() as f64 - 1.0)) / scale;
    if scale > 0.0 && found.is_finite() { found.max(0.0) } else { 0.0 }
}

fn weighted(groups: &[GroupMean], weight: impl Fn(&GroupMean) -> f64) -> f64 {
    let (sum, all) =
        groups.iter().fold((0.0, 0.0), |(sum, all), g| (sum + weight(g) * g.mean, all + weight(g)));
    sum / all
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Efron & Morris, 'Stein's paradox in statistics' (Scientific American 236(5), 1977): the first 45
    /// times at bat of 18 players, all moved to 0.212 of their distance from the mean of 0.265, the
    /// first to 0.294 and the last to 0.242. Averages and results from memory, checked by arithmetic:
    /// the factor is 0.2131 from averages rounded to three decimals.
    #[test]
    fn shrinks_the_batting_averages_of_efron_and_morris() {
        let thousandths =
            [400, 378, 356, 333, 311, 311, 289, 267, 244, 244, 222, 222, 222, 222, 222, 200, 178, 156];
        let groups: Vec<GroupMean> =
            thousandths.iter().map(|t| GroupMean { mean: f64::from(*t) / 1e3, count: 45 }).collect();
        let shrunk = shrink(&groups, 0.265 * 0.735).unwrap();
        assert!((shrunk.mean - 0.265).abs() < 5e-4, "{}", shrunk.mean);
        assert!(shrunk.groups.iter().all(|(_, own)| (own - 0.213_128_330_814).abs() < 1e-9));
        assert!((shrunk.groups[0].0 - 0.294).abs() < 5e-4, "{:?}", shrunk.groups[0]);
        assert!((shrunk.groups[17].0 - 0.242).abs() < 5e-4, "{:?}", shrunk.groups[17]);
    }

    /// statsmodels 0.15.0, `combine_effects(…, method_re="dl")`: between-variance and mean (computed).
    #[test]
    fn the_variance_between_groups_is_that_of_statsmodels() {
        let groups: Vec<GroupMean> = [(1.2, 12), (-0.8, 5), (3.1, 30), (0.4, 8), (2.2, 20), (-1.9, 3)]
            .map(|(mean, count)| GroupMean { mean, count })
            .to_vec();
        let shrunk = shrink(&groups, 9.0).unwrap();
        assert!((shrunk.between - 1.777_589_167_767_504_4).abs() < 1e-12, "{}", shrunk.between);
        assert!((shrunk.mean - 1.144_388_771_177_942_6).abs() < 1e-12, "{}", shrunk.mean);
        assert!(shrunk.groups[2].1 > shrunk.groups[5].1);
    }

    #[test]
    fn degenerate_groups_give_a_stated_result_or_none() {
        assert_eq!(shrink(&[], 1.0), None);
        let one = |mean, count| GroupMean { mean, count };
        assert_eq!(shrink(&[one(f64::NAN, 3)], 1.0), None);
        assert_eq!(shrink(&[one(1.0, 0)], 1.0), None);
        assert_eq!(shrink(&[one(1.0, 1)], f64::INFINITY), None);
        let alone = shrink(&[one(2.0, 3)], 1.0).unwrap();
        assert_eq!((alone.mean, alone.between, alone.groups[0].0), (2.0, 0.0, 2.0));
        let exact = shrink(&[one(2.0, 3), one(4.0, 1)], 0.0).unwrap();
        assert_eq!(exact.groups, [(2.0, 1.0), (4.0, 1.0)]);
    }
}

//! What a typed volume is of, under a label that has its product mixed: everything logged is product,
//! while scales and sight tubes show the mix.

use bolebook_core::quantity::Ul;
use bolebook_core::record::label::Mix;

use crate::error::CliError;

/// Product, or the mix it is put in as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Of {
    /// The product alone.
    Product,
    /// Product and diluent together.
    Mix,
}

/// The product in a typed volume. Of a lot that is mixed the volume must be said to be of one or the
/// other: taken for the other it would be wrong by the whole ratio.
///
/// # Errors
/// When it is not said and there is a mix; when the mix is said and there is none.
pub fn in_product(typed: Ul, of: Option<Of>, mix: Option<&Mix>) -> Result<Ul, CliError> {
    match (of, mix) {
        (Some(Of::Mix), Some(mix)) => Ok(mix.product_in(typed)),
        (Some(Of::Mix), None) => Err(CliError::Refused(vec![
            "this label has no mix: what goes in is the product as it comes; leave out --of, or say --of product"
                .into(),
        ])),
        (None, Some(mix)) if typed > Ul::ZERO => Err(CliError::Refused(vec![format!(
            "the label has the product mixed, {}: say --of mix for volumes as a container or reservoir shows them, or --of product; {} mL of the mix hold {} mL of product",
            mix.in_words(),
            typed.ml_exact(),
            mix.product_in(typed).ml_exact()
        )])),
        _ => Ok(typed),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One part with three: 10 mL of the mix hold 2.5 mL of product (arithmetic).
    #[test]
    fn a_volume_is_of_product_or_of_the_mix_and_must_say_which() {
        let mix = Mix { diluent: "water".into(), product_parts: 1, diluent_parts: 3 };
        let typed = Ul(10_000);
        assert_eq!(in_product(typed, Some(Of::Mix), Some(&mix)).unwrap(), Ul(2_500));
        assert_eq!(in_product(typed, Some(Of::Product), Some(&mix)).unwrap(), typed);
        assert_eq!(in_product(typed, None, None).unwrap(), typed);
        assert_eq!(in_product(Ul::ZERO, None, Some(&mix)).unwrap(), Ul::ZERO);
        assert!(in_product(typed, None, Some(&mix)).unwrap_err().to_string().contains("2.5 mL of product"));
        assert!(in_product(typed, Some(Of::Mix), None).is_err());
    }
}

//! Recipes that come with Taploom, as data with their public source.

use taploom_bsdl::Device;

use super::recipe::Recipe;

/// Name and text of each.
const TEXTS: [(&str, &str); 2] = [
    ("lfe5u-25f", include_str!("recipes/lfe5u-25f.toml")),
    ("lfe5u-85f", include_str!("recipes/lfe5u-85f.toml")),
];

/// A recipe to begin one's own with, every key explained.
pub const TEMPLATE: &str = include_str!("recipes/template.toml");

impl Recipe {
    /// All recipes that come with Taploom; none of them has been tried on hardware unless it says so.
    pub fn built_in() -> impl Iterator<Item = Recipe> {
        TEXTS.iter().filter_map(|(name, text)| {
            Recipe::parse(format!("the built-in recipe {name}"), text).ok()
        })
    }

    /// The built-in recipe for a device, if there is one.
    pub fn built_in_for(device: &Device) -> Option<Recipe> {
        Recipe::built_in().find(|r| r.is_for_device(device))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_of_them_can_be_read() {
        for (name, text) in TEXTS.iter().chain(&[("template", TEMPLATE)]) {
            let recipe = Recipe::parse(name, text).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(recipe.tried, Recipe::UNTRIED, "{name}");
        }
        assert_eq!(Recipe::built_in().count(), TEXTS.len());
    }

    /// One part in two sizes: but for the code, the length of the boundary register and the source of both, the steps are
    /// the same.
    #[test]
    fn the_parts_of_one_family_are_loaded_alike() {
        let recipe = |at: usize| Recipe::parse("a recipe", TEXTS[at].1).unwrap();
        let (small, mut large) = (recipe(0), recipe(1));
        let ones = |recipe: &Recipe| match &recipe.load[0].action {
            super::super::StepAction::Data(data) => {
                assert!(data.out.all(true));
                data.out.len()
            }
            other => panic!("{other:?}"),
        };
        assert_eq!((ones(&small), ones(&large)), (510, 750));
        // The codes as published: public SVF and chain-description files for the two parts.
        assert_eq!(small.idcodes[0].value_with_x_as(false), Some(0x4111_1043));
        assert_eq!(large.idcodes[0].value_with_x_as(false), Some(0x4111_3043));
        large.load[0].clone_from(&small.load[0]);
        assert_eq!((&large.load, &large.exit), (&small.load, &small.exit));
        assert_eq!((&large.status, &large.image), (&small.status, &small.image));
        assert_eq!(large.opcodes, small.opcodes);
    }

    #[test]
    fn every_line_of_the_template_can_be_used() {
        // With the comment marks of its optional keys removed it is still a recipe.
        let whole: String = TEMPLATE
            .lines()
            .map(|l| {
                let bare = l.strip_prefix("# ").filter(|b| {
                    let key = b.split(['=', ' ']).next().unwrap_or_default();
                    b.starts_with('[')
                        || b.starts_with("  {")
                        || b.starts_with(']')
                        || (b.contains(" = ")
                            && key.chars().all(|c| {
                                c.is_ascii_lowercase() || c == '_' || c.is_ascii_uppercase()
                            }))
                });
                format!("{}\n", bare.unwrap_or(l))
            })
            .collect();
        let error = Recipe::parse("template.toml", &whole).err();
        assert!(error.is_none(), "{}\n{whole}", error.unwrap());
        assert!(
            whole.lines().filter(|l| l.starts_with('#')).count() < 8,
            "{whole}"
        );
    }
}

//! Recipes that come with Taploom, as data with their public source.

use taploom_bsdl::Device;

use super::recipe::Recipe;

/// Name and text of each.
const TEXTS: [(&str, &str); 1] = [("lfe5u-25f", include_str!("recipes/lfe5u-25f.toml"))];

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

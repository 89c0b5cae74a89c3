//! What the drawing of a package is made from.

use taploom_bsdl::Device;
use taploom_bsdl::model::PinMap;

use super::super::pins::{PinKind, pin_kind};
use super::shape::{Basis, Place, Shape, recognise};

/// A package with its pins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Package {
    /// The entity.
    pub entity: String,
    /// The package's name.
    pub name: String,
    /// Its outline.
    pub shape: Shape,
    /// What told the outline.
    pub basis: Basis,
    /// The pins, in the order of the file.
    pub pins: Vec<PackagePin>,
}

/// One pin.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackagePin {
    /// Its number, or the name of its ball.
    pub number: String,
    /// The port bit behind it: `Q(3)`.
    pub signal: String,
    /// What it is.
    pub kind: PinKind,
    /// Whether only its name says what it is.
    pub by_name: bool,
    /// Numbers of the boundary cells that serve it.
    pub cells: Vec<u32>,
    /// Where it stands.
    pub place: Place,
}

impl Package {
    /// How many pins are of a kind.
    pub fn count(&self, kind: PinKind) -> usize {
        self.pins.iter().filter(|p| p.kind == kind).count()
    }

    /// True if every pin has a place of its own, so that a drawing shows them all.
    pub fn can_be_drawn(&self) -> bool {
        let mut places = std::collections::HashSet::new();
        self.shape != Shape::Unknown
            && self.pins.iter().all(|p| match p.place {
                Place::Nowhere => false,
                Place::Middle => true,
                place => places.insert(place),
            })
    }
}

/// The package that a pin map of a device describes.
pub fn package_of(device: &Device, map: &PinMap) -> Package {
    let names: Vec<&str> = map.pins().map(|p| p.name).collect();
    let (shape, basis) = recognise(&map.name, &names);
    let mut package = Package {
        entity: device.entity.clone(),
        name: map.name.clone(),
        pins: map
            .pins()
            .map(|pin| {
                let (kind, by_name) = pin_kind(device, pin.bit);
                let mut cells: Vec<u32> = device.cells_of(pin.bit).map(|c| c.number).collect();
                cells.sort_unstable();
                PackagePin {
                    number: pin.name.to_owned(),
                    signal: device.bit_name(pin.bit),
                    kind,
                    by_name,
                    cells,
                    place: shape.place(pin.name),
                }
            })
            .collect(),
        shape,
        basis,
    };
    if !package.can_be_drawn() {
        package.shape = Shape::Unknown;
        package.basis = Basis::Nothing;
        package
            .pins
            .iter_mut()
            .for_each(|p| p.place = Place::Nowhere);
    }
    package
}

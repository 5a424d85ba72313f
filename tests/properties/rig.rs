//! (properties of this area)

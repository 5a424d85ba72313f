//! (cases of this area)

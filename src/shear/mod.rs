//! shear

//! The dosing core.

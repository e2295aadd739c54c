//! Log.

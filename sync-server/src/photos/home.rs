//! Where photos lie: in a folder, or in an object store that servers share.

use std::path::Path;
use std::time::Duration;

use bolebook_objects::{Access, Bucket, Folder, ObjectError, Objects, Place as ObjectPlace};

/// Photos in an object store.
#[derive(Clone, Debug)]
pub struct PhotoStore {
    /// The bucket, and what names in it begin with.
    pub place: ObjectPlace,
    /// The way there, with the credentials.
    pub access: Access,
    /// How long the store may say nothing.
    pub patience: Duration,
}

impl PhotoStore {
    /// The place that an address names, with access from the environment's variables.
    ///
    /// # Errors
    /// [`ObjectError::Setting`] says what is missing or wrong.
    pub fn new(address: &str, variable: impl Fn(&str) -> Option<String>) -> Result<Self, ObjectError> {
        let (place, access) = (ObjectPlace::read(address)?, Access::from_variables(variable)?);
        Ok(Self { place, access, patience: Bucket::PATIENCE })
    }
}

/// Where photos lie: in an object store, or in the data folder.
///
/// # Errors
/// [`ObjectError::Setting`] for a store's address that is none.
pub fn objects(data: &Path, photos: Option<&PhotoStore>) -> Result<Objects, ObjectError> {
    Ok(match photos {
        Some(PhotoStore { place, access, patience }) => {
            Objects::Bucket(Box::new(Bucket::new(place.clone(), access.clone(), *patience)?))
        }
        None => Objects::Folder(Folder::new(data.to_owned())),
    })
}

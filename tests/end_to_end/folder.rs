//! What lies in a folder, to be held against what lay there before.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// Every file below a folder, by its path in it.
pub(crate) fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(inside) = folders.pop() {
        for entry in fs::read_dir(inside).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_str().unwrap();
                all.insert(name.to_owned(), fs::read(&path).unwrap());
            }
        }
    }
    all
}

//! The file layer itself: SQLite's own for this system, with every call noted that changes a file.
//!
//! SQLite keeps a file as a block of memory of the size the layer asks for. Ours holds a head, with
//! the table of our functions and the path, and after it the block of the layer below.

use std::ffi::{CStr, c_char, c_int, c_void};
use std::mem::size_of;
use std::path::{Path, PathBuf};
use std::ptr;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicPtr, Ordering};

use rusqlite::ffi::{
    SQLITE_IOERR, SQLITE_OK, SQLITE_OPEN_MAIN_DB, SQLITE_OPEN_MAIN_JOURNAL, SQLITE_OPEN_WAL, sqlite3_file,
    sqlite3_filename, sqlite3_int64, sqlite3_io_methods, sqlite3_vfs, sqlite3_vfs_find, sqlite3_vfs_register,
};

use crate::{Event, note};

/// The layer below.
static BELOW: AtomicPtr<sqlite3_vfs> = AtomicPtr::new(ptr::null_mut());
static REGISTERED: OnceLock<()> = OnceLock::new();

/// The head of a file; 8 bytes aligned, as SQLite gives blocks and the one after it must be.
#[repr(C, align(8))]
struct Head {
    file: sqlite3_file,
    /// Of a file whose changes are noted; else null.
    path: *mut PathBuf,
}

/// Makes this layer the one that every later connection of the process uses.
///
/// # Panics
/// When SQLite has no layer of its own, or does not take this one.
pub fn register() {
    REGISTERED.get_or_init(|| {
        // SAFETY: the layer found is SQLite's own and lives as long as the process, and so does the copy,
        // which is leaked. A copy works as the original does, for its functions take what they need from
        // the structure they are given, of which all but name, size and `xOpen`, `xDelete` is the same.
        unsafe {
            let below = sqlite3_vfs_find(ptr::null());
            assert!(!below.is_null(), "SQLite has no file layer");
            BELOW.store(below, Ordering::SeqCst);
            let mut layer: sqlite3_vfs = ptr::read(below);
            layer.zName = c"lossy".as_ptr();
            layer.pNext = ptr::null_mut();
            layer.szOsFile += size_of::<Head>() as c_int;
            layer.xOpen = Some(open);
            layer.xDelete = Some(delete);
            let layer = Box::leak(Box::new(layer));
            assert_eq!(sqlite3_vfs_register(layer, 1), SQLITE_OK, "SQLite does not take the file layer");
        }
    });
}

/// The version 2 of the table: without memory maps, past which nothing would be seen.
static METHODS: sqlite3_io_methods = sqlite3_io_methods {
    iVersion: 2,
    xClose: Some(close),
    xRead: Some(read),
    xWrite: Some(write),
    xTruncate: Some(truncate),
    xSync: Some(sync),
    xFileSize: Some(file_size),
    xLock: Some(lock),
    xUnlock: Some(unlock),
    xCheckReservedLock: Some(check_reserved_lock),
    xFileControl: Some(file_control),
    xSectorSize: Some(sector_size),
    xDeviceCharacteristics: Some(device_characteristics),
    xShmMap: Some(shm_map),
    xShmLock: Some(shm_lock),
    xShmBarrier: Some(shm_barrier),
    xShmUnmap: Some(shm_unmap),
    xFetch: None,
    xUnfetch: None,
};

unsafe fn path_of(name: *const c_char) -> Option<PathBuf> {
    if name.is_null() {
        return None;
    }
    // SAFETY: SQLite hands a name over as a C string.
    let text = unsafe { CStr::from_ptr(name) };
    Some(Path::new(text.to_str().ok()?).to_owned())
}

unsafe extern "C" fn open(
    _: *mut sqlite3_vfs,
    name: sqlite3_filename,
    file: *mut sqlite3_file,
    flags: c_int,
    out: *mut c_int,
) -> c_int {
    let below = BELOW.load(Ordering::SeqCst);
    // SAFETY: SQLite gave us a block of `szOsFile` bytes: our head and the block of the layer below.
    unsafe {
        let head = file.cast::<Head>();
        (*head).file.pMethods = ptr::null();
        (*head).path = ptr::null_mut();
        let Some(open_below) = (*below).xOpen else { return SQLITE_IOERR };
        let result = open_below(below, name, real(file), flags, out);
        if (*real(file)).pMethods.is_null() {
            return result;
        }
        (*head).file.pMethods = &METHODS;
        let noted = SQLITE_OPEN_MAIN_DB | SQLITE_OPEN_MAIN_JOURNAL | SQLITE_OPEN_WAL;
        if let Some(path) = path_of(name.cast()).filter(|_| flags & noted != 0) {
            (*head).path = Box::into_raw(Box::new(path));
        }
        result
    }
}

unsafe extern "C" fn delete(_: *mut sqlite3_vfs, name: *const c_char, sync_folder: c_int) -> c_int {
    let below = BELOW.load(Ordering::SeqCst);
    // SAFETY: the layer below is SQLite's own.
    unsafe {
        let Some(delete_below) = (*below).xDelete else { return SQLITE_IOERR };
        let result = delete_below(below, name, sync_folder);
        if result == SQLITE_OK
            && let Some(path) = path_of(name)
        {
            note(&path, || Event::Delete(path.clone(), sync_folder != 0));
        }
        result
    }
}

/// The block of the layer below.
unsafe fn real(file: *mut sqlite3_file) -> *mut sqlite3_file {
    // SAFETY: it comes right after the head, in one allocation.
    unsafe { file.cast::<u8>().add(size_of::<Head>()).cast() }
}

unsafe fn path<'a>(file: *mut sqlite3_file) -> Option<&'a Path> {
    // SAFETY: the head was written at the opening; the path lives until the file is closed.
    unsafe { (*file.cast::<Head>()).path.as_ref().map(PathBuf::as_path) }
}

/// Calls the same function of the layer below.
macro_rules! below {
    ($method:ident, $file:expr $(, $argument:expr)*) => {{
        // SAFETY: a file that was opened has the functions of the layer below in its block.
        let real = unsafe { real($file) };
        match unsafe { (*(*real).pMethods).$method } {
            // SAFETY: the arguments are SQLite's own.
            Some(method) => unsafe { method(real $(, $argument)*) },
            None => return SQLITE_IOERR,
        }
    }};
}

unsafe extern "C" fn close(file: *mut sqlite3_file) -> c_int {
    let result = below!(xClose, file);
    // SAFETY: the path was boxed at the opening, and SQLite closes a file once.
    unsafe {
        let head = file.cast::<Head>();
        if !(*head).path.is_null() {
            drop(Box::from_raw((*head).path));
            (*head).path = ptr::null_mut();
        }
    }
    result
}

unsafe extern "C" fn read(
    file: *mut sqlite3_file,
    to: *mut c_void,
    bytes: c_int,
    at: sqlite3_int64,
) -> c_int {
    below!(xRead, file, to, bytes, at)
}

unsafe extern "C" fn write(
    file: *mut sqlite3_file,
    from: *const c_void,
    bytes: c_int,
    at: sqlite3_int64,
) -> c_int {
    let result = below!(xWrite, file, from, bytes, at);
    if result == SQLITE_OK
        // SAFETY: as for `path`.
        && let Some(path) = unsafe { path(file) }
    {
        // SAFETY: SQLite gave so many bytes to be written.
        let written = unsafe { std::slice::from_raw_parts(from.cast::<u8>(), bytes as usize) };
        note(path, || Event::Write(path.to_owned(), at as u64, written.to_vec()));
    }
    result
}

unsafe extern "C" fn truncate(file: *mut sqlite3_file, length: sqlite3_int64) -> c_int {
    let result = below!(xTruncate, file, length);
    // SAFETY: as for `path`.
    if let Some(path) = unsafe { path(file) } {
        note(path, || Event::Truncate(path.to_owned(), length as u64));
    }
    result
}

unsafe extern "C" fn sync(file: *mut sqlite3_file, flags: c_int) -> c_int {
    let result = below!(xSync, file, flags);
    if result == SQLITE_OK
        // SAFETY: as for `path`.
        && let Some(path) = unsafe { path(file) }
    {
        note(path, || Event::Sync(path.to_owned()));
    }
    result
}

unsafe extern "C" fn file_size(file: *mut sqlite3_file, size: *mut sqlite3_int64) -> c_int {
    below!(xFileSize, file, size)
}

unsafe extern "C" fn lock(file: *mut sqlite3_file, kind: c_int) -> c_int {
    below!(xLock, file, kind)
}

unsafe extern "C" fn unlock(file: *mut sqlite3_file, kind: c_int) -> c_int {
    below!(xUnlock, file, kind)
}

unsafe extern "C" fn check_reserved_lock(file: *mut sqlite3_file, found: *mut c_int) -> c_int {
    below!(xCheckReservedLock, file, found)
}

unsafe extern "C" fn file_control(file: *mut sqlite3_file, what: c_int, with: *mut c_void) -> c_int {
    below!(xFileControl, file, what, with)
}

unsafe extern "C" fn sector_size(file: *mut sqlite3_file) -> c_int {
    below!(xSectorSize, file)
}

unsafe extern "C" fn device_characteristics(file: *mut sqlite3_file) -> c_int {
    below!(xDeviceCharacteristics, file)
}

unsafe extern "C" fn shm_map(
    file: *mut sqlite3_file,
    page: c_int,
    size: c_int,
    extend: c_int,
    at: *mut *mut c_void,
) -> c_int {
    below!(xShmMap, file, page, size, extend, at)
}

unsafe extern "C" fn shm_lock(file: *mut sqlite3_file, from: c_int, count: c_int, flags: c_int) -> c_int {
    below!(xShmLock, file, from, count, flags)
}

unsafe extern "C" fn shm_barrier(file: *mut sqlite3_file) {
    // SAFETY: as in `below!`.
    unsafe {
        let real = real(file);
        if let Some(barrier) = (*(*real).pMethods).xShmBarrier {
            barrier(real);
        }
    }
}

unsafe extern "C" fn shm_unmap(file: *mut sqlite3_file, delete: c_int) -> c_int {
    below!(xShmUnmap, file, delete)
}

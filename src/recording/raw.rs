//! The few calls that the `hdf5` crate does not offer: fixed-length text whose length is known only at run time, and
//! rows of any table as plain bytes (to copy and compare without caring for their type). Each call takes the
//! library's one process-wide lock.
#![allow(unsafe_code, reason = "calls into the HDF5 C library through hdf5-metno-sys; each block says why it is sound")]

use hdf5::types::TypeDescriptor;
use hdf5::{Attribute, Container, Dataset, Group, H5Type, Location, Result, h5check, sync::sync};
use hdf5_metno_sys::h5::hsize_t;
use hdf5_metno_sys::h5a::{H5Aclose, H5Acreate2, H5Aread, H5Awrite};
use hdf5_metno_sys::h5d::{H5Dread, H5Dwrite};
use hdf5_metno_sys::h5i::hid_t;
use hdf5_metno_sys::h5p::H5P_DEFAULT;
use hdf5_metno_sys::h5s::{
    H5S_ALL, H5S_SCALAR, H5S_SELECT_SET, H5Sclose, H5Screate, H5Screate_simple, H5Sselect_hyperslab,
};
use hdf5_metno_sys::h5t::{H5T_C_S1, H5Tclose, H5Tcopy, H5Tset_size};
use std::ffi::{CStr, c_void};
use std::ptr::null;

/// Make a scalar dataset of fixed-length UTF-8 text.
pub(super) fn create_text(group: &Group, name: &str, text: &str) -> Result<Dataset> {
    let dataset = group.new_dataset_builder().empty_as(text_type(text)).create(name)?;
    let bytes = padded(text);
    write_all(&dataset, &bytes, |id, type_id, data| {
        // SAFETY: `write_all` has checked that `data` holds exactly the dataset's elements in the type `type_id`.
        unsafe { H5Dwrite(id, type_id, H5S_ALL, H5S_ALL, H5P_DEFAULT, data) }
    })?;
    Ok(dataset)
}

/// Make an attribute of fixed-length UTF-8 text.
pub(super) fn create_text_attribute(at: &Location, name: &str, text: &str) -> Result<()> {
    let attribute = at.new_attr_builder().empty_as(text_type(text)).create(name)?;
    write_all(&attribute, &padded(text), |id, type_id, data| {
        // SAFETY: `write_all` has checked that `data` holds exactly the attribute's elements in the type `type_id`.
        unsafe { H5Awrite(id, type_id, data) }
    })
}

/// Make an attribute of NUL-terminated ASCII text, the only form in which the dimension-scale convention accepts its
/// `CLASS`.
pub(super) fn create_terminated_attribute(at: &Location, name: &CStr, text: &CStr) -> Result<()> {
    let bytes = text.to_bytes_with_nul();
    sync(|| {
        // SAFETY: `H5T_C_S1` is a type of the initialised library; the copy is closed below.
        let string = h5check(unsafe { H5Tcopy(*H5T_C_S1) })?;
        // SAFETY: `string` is a live string type of our own.
        let sized = h5check(unsafe { H5Tset_size(string, bytes.len()) });
        // SAFETY: a scalar dataspace takes no further argument.
        let space = h5check(unsafe { H5Screate(H5S_SCALAR) })?;
        // SAFETY: `at` is a live object, `name` is NUL-terminated, `string` and `space` are live.
        let made = sized.and_then(|_| {
            h5check(unsafe { H5Acreate2(at.id(), name.as_ptr(), string, space, H5P_DEFAULT, H5P_DEFAULT) })
        });
        let written = made.and_then(|attribute| {
            // SAFETY: `bytes` holds one element of type `string`, whose size was set to its length.
            let written = h5check(unsafe { H5Awrite(attribute, string, bytes.as_ptr().cast()) });
            // SAFETY: `attribute` was made just above and is closed once.
            unsafe { H5Aclose(attribute) };
            written
        });
        // SAFETY: both were made above and are closed once.
        unsafe { (H5Sclose(space), H5Tclose(string)) };
        written.map(drop)
    })
}

/// Text of a scalar dataset made by [`create_text`].
pub(super) fn read_text(dataset: &Dataset) -> Result<String> {
    read_fixed_text(dataset, |id, type_id, data| {
        // SAFETY: `read_fixed_text` hands over room for exactly the dataset's one element of type `type_id`.
        unsafe { H5Dread(id, type_id, H5S_ALL, H5S_ALL, H5P_DEFAULT, data) }
    })
}

/// Text of an attribute made by [`create_text_attribute`].
pub(super) fn read_text_attribute(attribute: &Attribute) -> Result<String> {
    read_fixed_text(attribute, |id, type_id, data| {
        // SAFETY: `read_fixed_text` hands over room for exactly the attribute's one element of type `type_id`.
        unsafe { H5Aread(id, type_id, data) }
    })
}

/// Value of an attribute without variable-length parts, as stored.
pub(super) fn attribute_bytes(attribute: &Attribute) -> Result<Vec<u8>> {
    let datatype = attribute.dtype()?;
    if has_pointers(&datatype.to_descriptor()?) {
        return Err(format!("attribute {} has variable length", attribute.name()).into());
    }
    let mut bytes = vec![0_u8; datatype.size() * attribute.size()];
    sync(|| {
        // SAFETY: `bytes` has room for all elements of the attribute's own type, which is also the memory type and holds
        // no pointers.
        h5check(unsafe { H5Aread(attribute.id(), datatype.id(), bytes.as_mut_ptr().cast()) })
    })?;
    Ok(bytes)
}

fn has_pointers(descriptor: &TypeDescriptor) -> bool {
    match descriptor {
        TypeDescriptor::VarLenArray(_) | TypeDescriptor::VarLenAscii | TypeDescriptor::VarLenUnicode => true,
        TypeDescriptor::FixedArray(of, _) => has_pointers(of),
        TypeDescriptor::Compound(of) => of.fields.iter().any(|field| has_pointers(&field.ty)),
        _ => false,
    }
}

/// Rows `first .. first + count` of a one-dimensional dataset, as stored.
pub(super) fn read_rows(dataset: &Dataset, first: usize, count: usize) -> Result<Vec<u8>> {
    let datatype = dataset.dtype()?;
    let mut bytes = vec![0_u8; count * datatype.size()];
    if count == 0 {
        return Ok(bytes);
    }
    with_rows(dataset, first, count, |memory, file| {
        // SAFETY: `bytes` has room for `count` elements of the dataset's own type, which is also the memory type, and
        // `with_rows` has checked that rows `first .. first + count` exist. Tables hold no variable-length data.
        unsafe { H5Dread(dataset.id(), datatype.id(), memory, file, H5P_DEFAULT, bytes.as_mut_ptr().cast()) }
    })?;
    Ok(bytes)
}

/// Rows of a table as the library is given them, as plain bytes; `None` where a type has gaps between its fields or points
/// elsewhere.
pub(super) fn bytes_of<T: H5Type>(rows: &[T]) -> Option<&[u8]> {
    let descriptor = T::type_descriptor();
    if packed_size(&descriptor) != size_of::<T>() || has_pointers(&descriptor) {
        return None;
    }
    // SAFETY: `rows` is live as long as what is returned; its type consists of numbers and texts of fixed length side by
    // side, as just seen, so that every byte is initialised.
    Some(unsafe { std::slice::from_raw_parts(rows.as_ptr().cast(), size_of_val(rows)) })
}

/// Bytes of a type without what may lie between its fields.
fn packed_size(descriptor: &TypeDescriptor) -> usize {
    match descriptor {
        TypeDescriptor::Compound(of) => of.fields.iter().map(|field| packed_size(&field.ty)).sum(),
        other => other.size(),
    }
}

/// Append rows given as stored bytes to a one-dimensional dataset of the same type.
pub(super) fn append_rows(dataset: &Dataset, bytes: &[u8]) -> Result<()> {
    let datatype = dataset.dtype()?;
    let count = bytes.len() / datatype.size().max(1);
    if count * datatype.size() != bytes.len() {
        return Err(format!("{} bytes are no whole number of {}-byte rows", bytes.len(), datatype.size()).into());
    }
    if count == 0 {
        return Ok(());
    }
    let first = dataset.size();
    dataset.resize(first + count)?;
    with_rows(dataset, first, count, |memory, file| {
        // SAFETY: `bytes` holds exactly `count` elements of the dataset's own type, which is also the memory type,
        // and the dataset was resized to hold rows `first .. first + count`.
        unsafe { H5Dwrite(dataset.id(), datatype.id(), memory, file, H5P_DEFAULT, bytes.as_ptr().cast()) }
    })
}

fn text_type(text: &str) -> TypeDescriptor {
    TypeDescriptor::FixedUnicode(text.len().max(1))
}

/// HDF5 has no string of length 0: an empty text is one NUL, which reads back as empty.
fn padded(text: &str) -> Vec<u8> {
    if text.is_empty() { vec![0] } else { text.as_bytes().to_vec() }
}

fn write_all(at: &Container, bytes: &[u8], write: impl FnOnce(hid_t, hid_t, *const c_void) -> i32) -> Result<()> {
    let datatype = at.dtype()?;
    let wanted = datatype.size() * at.size();
    if wanted != bytes.len() {
        return Err(format!("{} bytes for a text of {wanted}", bytes.len()).into());
    }
    sync(|| h5check(write(at.id(), datatype.id(), bytes.as_ptr().cast()))).map(drop)
}

fn read_fixed_text(at: &Container, read: impl FnOnce(hid_t, hid_t, *mut c_void) -> i32) -> Result<String> {
    let datatype = at.dtype()?;
    let fixed = matches!(datatype.to_descriptor()?, TypeDescriptor::FixedUnicode(_) | TypeDescriptor::FixedAscii(_));
    if !fixed || at.size() != 1 {
        return Err("not a single fixed-length text".into());
    }
    let mut bytes = vec![0_u8; datatype.size()];
    sync(|| h5check(read(at.id(), datatype.id(), bytes.as_mut_ptr().cast())))?;
    let end = bytes.iter().rposition(|&byte| byte != 0).map_or(0, |last| last + 1);
    bytes.truncate(end);
    String::from_utf8(bytes).map_err(|_| "text is not UTF-8".into())
}

/// Call `act` with a memory space of `count` elements and a file space that selects rows `first .. first + count`.
fn with_rows(dataset: &Dataset, first: usize, count: usize, act: impl FnOnce(hid_t, hid_t) -> i32) -> Result<()> {
    let space = dataset.space()?;
    if space.ndim() != 1 || first.checked_add(count).is_none_or(|end| end > space.size()) {
        return Err(format!("rows {first} to {} of {} in {}", first + count, space.size(), dataset.name()).into());
    }
    let (start, length): (hsize_t, hsize_t) = (first as hsize_t, count as hsize_t);
    sync(|| {
        // SAFETY: `space` is a live one-dimensional dataspace, `start` and `length` point to one element each as its
        // rank asks, and the selection lies inside its extent.
        h5check(unsafe {
            H5Sselect_hyperslab(space.id(), H5S_SELECT_SET, &raw const start, null(), &raw const length, null())
        })?;
        // SAFETY: rank 1 and one extent; no maximum extent is given.
        let memory = h5check(unsafe { H5Screate_simple(1, &raw const length, null()) })?;
        let outcome = h5check(act(memory, space.id()));
        // SAFETY: `memory` was made just above and is closed once.
        unsafe { H5Sclose(memory) };
        outcome.map(drop)
    })
}

//! What a copy is for: the image mounts, and every client file in it is the original's, byte for byte, by drivers and
//! tools that are not ours. NTFS through the FUSE driver, FAT through mtools, VHDX through qemu-img. Needs root and FUSE.

#[path = "support/cases.rs"]
mod cases;
#[path = "support/common/mod.rs"]
mod common;

use cases::{copy, plan, planned, survey_and_plan};
use common::{answers, fixture};
use gleaner::base::extent::Extent;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io;
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Runs a program that must succeed; what it printed.
fn run(program: &mut Command) -> Vec<u8> {
    let Output { status, stdout, stderr } = program.output().unwrap_or_else(|e| panic!("{program:?}: {e}"));
    let said = String::from_utf8_lossy(&stdout);
    assert!(status.success(), "{program:?} ended with {status}: {said}{}", String::from_utf8_lossy(&stderr));
    stdout
}

/// A volume mounted read-only through ntfs-3g; unmounted when dropped.
struct Mount {
    at: tempfile::TempDir,
}

impl Mount {
    fn ntfs(volume: &Path) -> Mount {
        assert_eq!(
            fs::metadata("/proc/self").expect("/proc").uid(),
            0,
            "this test mounts through FUSE: run it as root"
        );
        let at = tempfile::tempdir().expect("a temporary folder");
        // The driver reports the streams' names in an attribute (ntfs-3g(8), streams_interface).
        let options = "ro,streams_interface=xattr";
        run(Command::new("ntfs-3g").args(["-o", options]).arg(volume).arg(at.path()));
        Mount { at }
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let gone = Command::new("fusermount3").arg("-u").arg(self.at.path()).output();
        if !gone.is_ok_and(|ended| ended.status.success()) {
            let _ = Command::new("umount").arg("--lazy").arg(self.at.path()).output();
        }
    }
}

/// What a file is, as far as a client is concerned.
#[derive(PartialEq, Eq, Debug, Clone)]
enum Item {
    Folder { modified: i64 },
    Link { to: PathBuf },
    File { bytes: u64, hash: blake3::Hash, modified: i64 },
}

/// Everything below a folder, by path.
fn everything(root: &Path) -> BTreeMap<PathBuf, Item> {
    let mut items = BTreeMap::new();
    let mut waiting = vec![root.to_path_buf()];
    while let Some(folder) = waiting.pop() {
        for entry in fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display())) {
            let path = entry.expect("an entry").path();
            let about = fs::symlink_metadata(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            let modified = about.mtime();
            let item = if about.is_dir() {
                waiting.push(path.clone());
                Item::Folder { modified }
            } else if about.is_symlink() {
                let to = fs::read_link(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
                // The driver turns a junction into a link to where the volume is mounted.
                Item::Link { to: to.strip_prefix(root).map(Path::to_path_buf).unwrap_or(to) }
            } else {
                let hash = content(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
                Item::File { bytes: about.len(), hash, modified }
            };
            items.insert(path.strip_prefix(root).expect("below the root").to_path_buf(), item);
        }
    }
    items
}

fn content(path: &Path) -> io::Result<blake3::Hash> {
    let mut hasher = blake3::Hasher::new();
    io::copy(&mut File::open(path)?, &mut hasher)?;
    Ok(hasher.finalize())
}

/// Files that hold the volume itself, and no client's; the driver does not show them.
fn is_system(path: &Path) -> bool {
    path.to_str().is_some_and(|path| path.starts_with('$') && !path.starts_with("$Recycle.Bin"))
}

/// The named streams of a file, by `getfattr`-style attributes.
fn streams(root: &Path, path: &Path) -> Vec<u8> {
    let mut getfattr = Command::new("getfattr");
    getfattr.args(["--absolute-names", "--no-dereference", "--dump", "--encoding=hex", "--match=user."]);
    let text = run(getfattr.arg(root.join(path)));
    // Its first line is the path, which differs.
    text.splitn(2, |byte| *byte == b'\n').nth(1).unwrap_or_default().to_vec()
}

/// Compares two NTFS volumes as the driver shows them.
fn compare_ntfs(name: &str, original: &Path, copied: &Path, answers: &Value) {
    let (original, copied) = (Mount::ntfs(original), Mount::ntfs(copied));
    let (expected, found) = (everything(original.at.path()), everything(copied.at.path()));
    for (path, item) in &expected {
        assert_eq!(
            found.get(path),
            Some(item),
            "{name}: {}: the copy's (left), the original's (right)",
            path.display()
        );
    }
    assert_eq!(found.len(), expected.len(), "{name}: the copy has files that the original has not");
    // The driver shows what the reference parsers know of, so that nothing is compared with nothing.
    let known: Vec<&str> = live_paths(answers).collect();
    for path in &known {
        let path = Path::new(path.trim_start_matches('/'));
        assert!(path.as_os_str().is_empty() || found.contains_key(path), "{name}: {} is not shown", path.display());
    }
    assert!(known.len() > 5, "{name}: only {} paths are known", known.len());
    let with_streams = with_streams(answers);
    for path in &with_streams {
        let path = Path::new(path.trim_start_matches('/'));
        let streams_of = |mount: &Mount| streams(mount.at.path(), path);
        let expected = streams_of(&original);
        assert!(!expected.is_empty(), "{name}: the driver shows no stream of {}", path.display());
        assert!(streams_of(&copied) == expected, "{name}: the streams of {} differ", path.display());
    }
}

/// Every path of every live client file and folder, by the reference parsers.
fn live_paths(answers: &Value) -> impl Iterator<Item = &str> {
    let files = answers["files"].as_array().expect("files").iter();
    let live = files.filter(|file| file["deleted"] == false && file["stream"].is_null() && file["attribute"].is_null());
    let paths = live.flat_map(|file| file["paths"].as_array().expect("paths").iter().filter_map(Value::as_str));
    paths.filter(|path| !is_system(Path::new(path.trim_start_matches('/'))))
}

/// Paths of files with named streams that an extended attribute can show (64 KiB; Linux limits.h, XATTR_SIZE_MAX).
fn with_streams(answers: &Value) -> Vec<String> {
    let files = answers["files"].as_array().expect("files").iter();
    let live =
        files.filter(|file| file["deleted"] == false && !file["stream"].is_null() && file["attribute"].is_null());
    let shown = live.filter(|file| file["size"].as_u64().is_some_and(|size| size < 64 << 10));
    let paths = shown.filter_map(|file| file["path"].as_str()).filter(|path| !is_system(Path::new(&path[1..])));
    let mut paths: Vec<String> = paths.filter(|path| *path != "/").map(str::to_owned).collect();
    paths.dedup();
    paths
}

/// Compares two FAT volumes: the whole tree as mtools copies it out, and the listing with sizes, dates and short names.
fn compare_fat(name: &str, original: &Path, copied: &Path, answers: &Value) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let out = |volume: &Path, to: &str| {
        let to = folder.path().join(to);
        fs::create_dir(&to).expect("a folder");
        // -s with all below, -m with times, -n without asking (mcopy(1)).
        run(mtools("mcopy").args(["-s", "-m", "-n", "-i"]).arg(volume).arg("::").arg(&to));
        everything(&to)
    };
    let (expected, found) = (out(original, "original"), out(copied, "copy"));
    for (path, item) in &expected {
        assert_eq!(
            found.get(path),
            Some(item),
            "{name}: {}: the copy's (left), the original's (right)",
            path.display()
        );
    }
    assert_eq!(found.len(), expected.len(), "{name}: the copy has files that the original has not");
    let known = live_paths(answers).filter(|path| *path != "/").count();
    assert!(known > 5 && expected.len() >= known, "{name}: mtools shows {}, {known} are known", expected.len());
    let listing = |volume: &Path| run(mtools("mdir").args(["-/", "-a", "-i"]).arg(volume).arg("::"));
    // The line on free room is the volume's, not a file's; it is read from structure that was copied, so it agrees too.
    assert!(listing(original) == listing(copied), "{name}: the listings differ");
}

/// mtools, without its doubts about geometry (mtools(1)), with names in UTF-8.
fn mtools(program: &str) -> Command {
    let mut command = Command::new(program);
    command.env("MTOOLS_SKIP_CHECK", "1").env("LC_ALL", "C.UTF-8");
    command
}

/// A volume cut out of a drive, into a file of its own.
fn volume(drive: &[u8], answers: &Value, to: &Path) {
    let start = usize::try_from(answers["volume_start"].as_u64().expect("a start")).unwrap();
    let bytes = match answers["volume_bytes"].as_u64() {
        Some(bytes) => bytes,
        // NTFS: clusters, and the sector behind them with the boot sector's copy.
        None => {
            let number = |key: &str| answers[key].as_u64().expect("a number");
            number("cluster_count") * number("cluster_bytes") + number("cluster_bytes")
        }
    };
    let end = (start + usize::try_from(bytes).unwrap()).min(drive.len());
    let file = File::create_new(to).expect("a new file");
    file.set_len((end - start) as u64).expect("room");
    for (number, block) in drive[start..end].chunks(64 << 10).enumerate() {
        if block.iter().any(|byte| *byte != 0) {
            file.write_all_at(block, (number as u64) << 16).expect("room");
        }
    }
}

fn volumes(name: &str) -> Vec<Value> {
    let answers = answers(name);
    answers["volumes"].as_array().cloned().unwrap_or_else(|| vec![answers])
}

/// Compares every volume of a drive.
fn compare_drives(name: &str, original: &[u8], copied: &[u8]) {
    for (number, answers) in volumes(name).iter().enumerate() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let [first, second] = ["original.img", "copy.img"].map(|file| folder.path().join(file));
        volume(original, answers, &first);
        volume(copied, answers, &second);
        let name = format!("{name}, volume {}", number + 1);
        match answers["kind"].as_str() {
            Some("ntfs") => compare_ntfs(&name, &first, &second, answers),
            Some(_) => compare_fat(&name, &first, &second, answers),
            None => panic!("{name}: no kind"),
        }
    }
}

/// qemu-img(1): `check` finds no fault in it, `info` tells its form and size.
fn qemu_accepts(image: &Path, form: &str, drive_bytes: usize) {
    if form == "vhdx" {
        run(Command::new("qemu-img").args(["check", "-f", form]).arg(image));
    }
    let text = run(Command::new("qemu-img").args(["info", "-f", form, "--output=json"]).arg(image));
    let info: Value = serde_json::from_slice(&text).expect("JSON");
    assert_eq!((&info["format"], &info["virtual-size"]), (&form.into(), &drive_bytes.into()));
    let room = info["actual-size"].as_u64().expect("a size");
    assert!(room < drive_bytes as u64, "{room} bytes of room for {drive_bytes} bytes, of which many were not read");
}

fn the_copy_mounts(name: &str) {
    let bytes = fixture(name);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = |name: &str| folder.path().join(name);
    let drive = at("drive.img");
    fs::write(&drive, &bytes).expect("room");
    for form in ["raw", "vhdx"] {
        let case = at(form);
        survey_and_plan(&drive, &case, &["--scope", "allocated", "--bridge", "0"]);
        assert!(planned(&case).bytes() < bytes.len() as u64 * 3 / 4, "{name}: free space is left out");
        copy(0, &drive, &case, &["--as", form]);
        let image = case.join(format!("image.{form}"));
        qemu_accepts(&image, form, bytes.len());
        // What is looked at is what qemu reads out of it.
        let read_out = at(&format!("{form}.out"));
        let arguments = ["convert", "-f", form, "-O", "raw"];
        run(Command::new("qemu-img").args(arguments).arg(&image).arg(&read_out));
        let copied = fs::read(&read_out).expect("the image");
        compare_drives(name, &bytes, &copied);
    }
    let [raw, vhdx] = [at("raw").join("image.raw"), at("vhdx").join("image.vhdx")];
    run(Command::new("qemu-img").args(["compare", "-f", "raw", "-F", "vhdx"]).arg(&raw).arg(&vhdx));
    // And both are what the plan says.
    assert_eq!(planned(&at("raw")), planned(&at("vhdx")));
}

#[test]
fn a_gpt_drive_with_ntfs_and_fat32() {
    the_copy_mounts("drive-gpt");
}

#[test]
fn an_mbr_drive_with_logical_volumes() {
    the_copy_mounts("drive-mbr-extended");
}

#[test]
fn a_rich_ntfs_volume() {
    the_copy_mounts("ntfs-rich");
}

#[test]
fn a_fat32_volume_with_small_clusters() {
    the_copy_mounts("fat32-clusters-512");
}

/// With the scope `wanted` an image holds no other folder's entries, and all the same a driver opens it, finds the wanted folders by
/// their paths, and shows all that lies in them.
#[test]
fn wanted_folders_open_by_their_paths_and_other_folders_are_not_read() {
    const WANTED: [&str; 2] = ["Photos/2020", "Users/ida/Specimens"];
    let answers = answers("ntfs-rich");
    let entries_of = |path: &str| {
        let is_index = |file: &&Value| {
            let is_whole = file["deleted"] == false && file["stream"].is_null() && file["attribute"].is_null();
            file["path"] == path && is_whole
        };
        let folder = answers["files"].as_array().expect("files").iter().find(is_index).expect("the folder");
        let extents = folder["extents"].as_array().expect("extents").iter();
        let extents = extents.map(|pair| Extent::new(pair[0].as_u64().unwrap(), pair[1].as_u64().unwrap()).unwrap());
        extents.collect::<Vec<_>>()
    };
    let bytes = fixture("ntfs-rich");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let [drive, case] = ["drive.img", "case"].map(|name| folder.path().join(name));
    fs::write(&drive, &bytes).expect("room");
    survey_and_plan(
        &drive,
        &case,
        &["--scope", "wanted", "--bridge", "0", "--want", "/Photos/2020", "--want", "/Users/ida/Specimens"],
    );
    let wanted = plan(&case, |class| class == "wanted");
    for path in ["/Photos", "/Users/ida/Specimens"] {
        let entries = entries_of(path);
        assert!(!entries.is_empty() && entries.iter().all(|extent| wanted.covers(*extent)), "{path}");
    }
    let all = planned(&case);
    assert!(entries_of("/Surveys").iter().all(|extent| all.intersection(*extent).is_empty()), "/Surveys is not needed");
    copy(0, &drive, &case, &[]);
    let (original, copied) = (Mount::ntfs(&drive), Mount::ntfs(&case.join("image.raw")));
    for path in WANTED {
        let expected = everything(&original.at.path().join(path));
        assert!(!expected.is_empty(), "{path} holds nothing");
        assert_eq!(everything(&copied.at.path().join(path)), expected, "{path}");
    }
}

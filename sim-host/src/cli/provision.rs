//! `hopwright provision`: one sealed configuration a station.

use super::secrets::SecretArgs;
use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::folder::write_whole_private;
use crate::plan::Plan;
use crate::provision::{
    PASSPHRASE_KDF, Provisioned, Roster, directory_text, fingerprint_text, hex,
    keep_out_of_core_dumps, provision, random, rank_word, write_private,
};
use crate::scenario::Scenario;
use hopwright_core::keys::NetKey;
use std::fmt::Write as _;
use std::io;
use std::path::PathBuf;

/// The arguments of `provision`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The plan, a TOML file
    plan: PathBuf,
    /// New folder for the configurations; only its owner may enter it
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Who gets one: a roster or a scenario, a TOML file (for a training plan, the built-in
    /// exercise if none is named)
    #[arg(long, value_name = "FILE")]
    roster: Option<PathBuf>,
    #[command(flatten)]
    secret: SecretArgs,
    /// Allow a published training key, which keeps nothing secret
    #[arg(long)]
    training: bool,
}

pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    keep_out_of_core_dumps();
    let plan = Plan::load(&args.plan)?;
    refuse_published(&plan, args)?;
    let roster = match &args.roster {
        Some(path) => Roster::load(path, &plan)?,
        None if plan.training_key() => Roster::of_scenario(&Scenario::built_in()?),
        None => {
            return Err(Diagnostic::new(
                "it is not said which stations there are",
                "give --roster, a file with a [[station]] table for each: name, address, role, lane, calls",
            ));
        }
    };
    let secret = args.secret.needed(true)?;
    let mut salt = [0; 16];
    random(&mut salt)?;
    let sealing = secret
        .sealing(salt, PASSPHRASE_KDF)
        .map_err(|error| Diagnostic::new(error.to_string(), "this cannot happen"))?;
    let all = provision(&plan, &roster, &sealing, &mut random)?;
    let mut list = String::from("name,address,role,lane,file\n");
    for (station, made) in roster.stations.iter().zip(&all) {
        let role = rank_word(station.rank);
        let (name, file) = (&station.name, made.file.display());
        let _ = writeln!(list, "{name},{},{role},{},{file}", station.address, station.lane);
    }
    write_whole_private(&args.out, |folder| {
        for made in &all {
            write_private(&folder.join(&made.file), &made.sealed)?;
        }
        write_private(&folder.join("stations.csv"), list.as_bytes())
    })?;
    write_out(|out| tell(out, args, &plan, &roster, &all))?;
    Ok(Outcome::Held)
}

/// Published keys are for exercises.
fn refuse_published(plan: &Plan, args: &Args) -> Result<(), Diagnostic> {
    let (what, help) = match (args.training, plan.training_key(), plan.training_root()) {
        (true, ..) | (false, false, false) => return Ok(()),
        (false, true, _) => (
            "the plan's key is a published one: anybody could follow this net",
            "make a key with `hopwright keygen` and name it with `key_file`, or say --training",
        ),
        (false, false, true) => (
            "the root of the plan's key tree is a published one: anybody could make every share",
            "make a root with `hopwright keygen --tree` and name it with `tree_key_file`, or say \
             --training",
        ),
    };
    Err(Diagnostic::in_file(args.plan.display().to_string(), what, help))
}

/// Says what has been written, keys as fingerprints.
fn tell(
    out: &mut impl io::Write,
    args: &Args,
    plan: &Plan,
    roster: &Roster,
    all: &[Provisioned],
) -> io::Result<()> {
    let tree = plan.has_key_tree();
    for (station, made) in roster.stations.iter().zip(all) {
        let (name, file) = (&station.name, made.file.display());
        let bytes = made.sealed.len();
        writeln!(out, "{}  {name:24}  {file}  {bytes} bytes", station.address)?;
        if tree {
            let said = if station.calls.is_some() { "" } else { " (by default)" };
            let directory = directory_text(&roster.directory(station));
            writeln!(out, "    may call  {directory}{said}")?;
        }
    }
    let digest = hex(plan.digest().bytes());
    writeln!(out, "plan {digest}, key fingerprint {}", fingerprint_text(&plan.net_key()))?;
    match plan.tree_root() {
        Ok(root) => {
            let fingerprint = fingerprint_text(&NetKey::new(*root));
            let generation = plan.generation();
            writeln!(out, "key tree: root fingerprint {fingerprint}, generation {generation}")?;
        }
        Err(_) => writeln!(out, "no key tree: no shares, and whoever has the net key hears all")?,
    }
    if plan.training_key() {
        writeln!(out, "TRAINING KEY: it is published and keeps nothing secret")?;
    }
    if plan.training_root() {
        writeln!(out, "TRAINING ROOT of the key tree: it is published and keeps nothing secret")?;
    }
    writeln!(out, "{} configurations in {}", all.len(), args.out.display())
}

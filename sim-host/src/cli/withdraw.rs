//! `hopwright withdraw`: a new net key for everyone but some stations.

use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::folder::write_whole_private;
use crate::input::read_text;
use crate::keytree::{Withdrawal, bound, withdraw};
use crate::plan::{Plan, parse_address};
use crate::provision::{keep_out_of_core_dumps, key_text, write_private};
use hopwright_core::address::Address;
use hopwright_core::units::Slot;
use std::collections::BTreeSet;
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `withdraw`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The plan in use, a TOML file
    plan: PathBuf,
    /// A station to withdraw, by its address; once for each
    #[arg(long = "station", value_name = "ADDRESS", required = true)]
    stations: Vec<String>,
    /// The slot of home time from which the new net key is in use
    #[arg(long, value_name = "SLOT", value_parser = super::whole::<u32>(0..=u32::MAX))]
    from_slot: u32,
    /// A new directory for the order, the new plan and its keys
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Take published training keys, for an exercise that never goes on the air
    #[arg(long)]
    exercise: bool,
}

/// Makes the order and the plan that holds from then on.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    keep_out_of_core_dumps();
    let plan = Plan::load(&args.plan)?;
    let mut withdrawn = plan.withdrawn().clone();
    let known = withdrawn.len();
    for text in &args.stations {
        let address = parse_address(text).ok_or_else(|| {
            Diagnostic::new(
                format!("\"{text}\" is no address"),
                "an address is two hexadecimal digits: `--station 55`",
            )
        })?;
        withdrawn.insert(address);
    }
    if withdrawn.len() == known {
        return Err(Diagnostic::new(
            "every one of these stations has been withdrawn before",
            "name a station that is not under `withdrawn` in the plan",
        ));
    }
    let published = plan.training_key() || plan.training_root();
    if published && !args.exercise {
        return Err(Diagnostic::new(
            "the plan's net key or tree root is a published one: anybody can open the order",
            "give the plan keys of its own, or say --exercise for one that never goes on the air",
        ));
    }
    let generation = plan.generation().checked_add(1).ok_or_else(|| {
        Diagnostic::new(
            "the plan has had 255 withdrawals, as many as one key tree serves",
            "make a new plan with a new tree, and load every station afresh",
        )
    })?;
    let drawn = crate::provision::draw_order()?;
    let slot = Slot::new(args.from_slot);
    let made = withdraw(&plan.key_tree()?, &plan.net_key(), generation, slot, &withdrawn, &drawn)
        .map_err(Diagnostic::of_order)?;
    plan.carries_order(made.order.len())?;
    let new_plan = new_plan(args, generation, &withdrawn)?;
    let keys = [
        ("net.key", drawn.key_bytes()),
        ("band.key", plan.band_key_bytes()),
        ("tree.key", plan.tree_root()?),
    ];
    write_whole_private(&args.out, |folder| {
        write_private(&folder.join("order.bin"), &made.order)?;
        for (name, key) in &keys {
            write_private(&folder.join(name), key_text(key).as_bytes())?;
        }
        write_private(&folder.join("plan.toml"), new_plan.as_bytes())
    })?;
    let from_us = u64::from(args.from_slot) * plan.timing().slot().us();
    let mut notes = Vec::new();
    if published {
        notes.push(
            "exercise only: a key or the tree root of the old plan is a published one".into(),
        );
    }
    notes.extend(beside_relays(&plan, made.order.len())?);
    write_out(|out| tell(out, args, from_us, &withdrawn, generation, &made, &notes))?;
    Ok(Outcome::Held)
}

/// What is told of an order that fits a message of the plan, but none beside the tags of relays: whether
/// there are any no plan says, but disjoint lanes are what they need.
fn beside_relays(plan: &Plan, bytes: usize) -> Result<Option<String>, Diagnostic> {
    let longest = plan.message_beside(true)?.longest();
    let may_be = plan.lanes().is_some_and(|lanes| !lanes.spaced());
    Ok((may_be && bytes > usize::from(longest)).then(|| {
        format!(
            "where relays connect the lanes a message has up to {longest} bytes: nobody gets the order there"
        )
    }))
}

/// The plan with the new keys. What it said of `[net]` beyond the name is replaced.
fn new_plan(
    args: &Args,
    generation: u8,
    withdrawn: &BTreeSet<Address>,
) -> Result<String, Diagnostic> {
    let source = read_text(&args.plan)?;
    let odd = |_| Diagnostic::new("the plan cannot be written anew", "check it with `check`");
    let mut table: toml::Table = source.text().parse().map_err(|_| odd(()))?;
    let Some(toml::Value::Table(net)) = table.get_mut("net") else { return Err(odd(())) };
    net.retain(|key, _| key == "name");
    for (key, file) in
        [("key_file", "net.key"), ("band_key_file", "band.key"), ("tree_key_file", "tree.key")]
    {
        net.insert(key.to_owned(), file.into());
    }
    net.insert("generation".to_owned(), i64::from(generation).into());
    net.insert("withdrawn".to_owned(), listed(withdrawn).into());
    toml::to_string(&table).map_err(|_| odd(()))
}

fn listed(withdrawn: &BTreeSet<Address>) -> String {
    withdrawn.iter().map(Address::to_string).collect::<Vec<_>>().join(" ")
}

fn tell(
    out: &mut impl Write,
    args: &Args,
    from_us: u64,
    withdrawn: &BTreeSet<Address>,
    generation: u8,
    made: &Withdrawal,
    notes: &[String],
) -> std::io::Result<()> {
    let most = bound(8, withdrawn.len());
    writeln!(out, "withdrawn: {}", listed(withdrawn))?;
    writeln!(
        out,
        "order {generation}: {} bytes, from slot {} on; cover of {} nodes (at most {most} for {})",
        made.order.len(),
        args.from_slot,
        made.cover.len(),
        withdrawn.len(),
    )?;
    // The planner has no net time: it cannot know whether the slot has passed.
    let minutes = from_us / 60_000_000;
    writeln!(
        out,
        "slot {} comes {} h {} min after slot 0: it must not have come when the order is first sent",
        args.from_slot,
        minutes / 60,
        minutes % 60
    )?;
    writeln!(out, "in {}: order.bin, plan.toml, net.key, band.key, tree.key", args.out.display())?;
    notes.iter().try_for_each(|note| writeln!(out, "{note}"))
}

//! What an outsider learns by listening: the sync word, because it is the only word that comes
//! twice, and the channels on which it comes.

use super::Overheard;
use hopwright_core::band::ChannelSet;
use std::collections::BTreeMap;

/// Words that are remembered while none has come twice.
const MOST: usize = 4_096;

/// What has been learned.
#[derive(Debug, Default)]
pub(super) struct Ear {
    words: BTreeMap<u32, (u32, ChannelSet)>,
}

impl Ear {
    /// Takes note of a header-like transmission.
    pub(super) fn note(&mut self, heard: &Overheard<'_>) {
        if !heard.header() {
            return;
        }
        if self.words.len() >= MOST {
            self.words.retain(|_, (count, _)| *count > 1);
        }
        let (count, channels) = self.words.entry(heard.word).or_default();
        *count = count.saturating_add(1);
        channels.insert(heard.channel);
    }

    /// The word that came most often, at least twice, and where.
    pub(super) fn learned(&self) -> Option<(u32, &ChannelSet)> {
        let most = self.words.iter().max_by_key(|(_, (count, _))| *count);
        most.filter(|(_, (count, _))| *count >= 2).map(|(word, (_, channels))| (*word, channels))
    }
}

//! Conformance and property tests of the link, one subject a module: against published sources, and
//! against the specification. One program, because the core is then compiled into one.

mod aead;
mod awaited_transceiver;
mod calls;
mod cbor;
mod changes_of_keys;
mod channel_use;
mod combinations;
mod correlation;
mod driver;
mod dropped_steps;
mod fixed_channels;
mod floor;
mod further_looks;
mod golay;
#[cfg(feature = "whole")]
mod grammar;
mod hostile;
mod key_tree;
mod keyed_net;
mod lanes;
mod loader;
mod loader_faults;
mod loader_ports;
mod manual_entry;
mod messages;
mod newcomers;
mod oracle;
mod provisioning;
mod randomness;
mod raster;
mod recordings;
mod reed_solomon;
mod rendezvous;
mod reread;
mod rfc8439;
mod says;
mod second_looks;
mod secrets;
mod single_channels;
mod station_properties;
mod transceiver;
#[cfg(feature = "whole")]
mod transfer_key;
mod two_stations;
mod vectors;
mod withdrawal;

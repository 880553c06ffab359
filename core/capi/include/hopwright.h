/* Hopwright: the core for programs in C.
 *
 * The caller gives the memory, the time in microseconds and a configuration. Nothing is allocated, and
 * nothing is kept but in that memory. Every function answers with a status: HW_OK, or what was wrong.
 *
 * What no function can check, and each relies on:
 *
 * - Memory has been zeroed before it is first used (as a static object is), and not been written by
 *   anyone else since. It must not be moved or copied while there is something in it.
 * - A pointer to so many bytes points to so many, for the length of the call, and bytes that are
 *   written to have been written before.
 * - No two calls with the same memory run at the same time on two processors or threads. A call from an
 *   interrupt, or from a function that the loader calls, is told HW_IN_USE and does nothing.
 *
 * The order of calls, and what the time must be, is the documentation of hopwright_core's Station.
 *
 * Licensed under either of Apache License 2.0 or MIT, at your choice. */

#ifndef HOPWRIGHT_H
#define HOPWRIGHT_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#define HW_STATIC_ASSERT static_assert
#else
#define HW_STATIC_ASSERT _Static_assert
#endif

/* ---- statuses and sizes ---- */

/* Done. */
#define HW_OK 0
/* A pointer is null. */
#define HW_NULL 1
/* A pointer is not aligned. */
#define HW_MISALIGNED 2
/* There is nothing in this memory: it has not been made, or it has been ended. */
#define HW_NOT_READY 3
/* There is something in this memory already. */
#define HW_READY 4
/* The memory or the buffer is too small. */
#define HW_TOO_SMALL 5
/* A number is out of range, a length cannot be, or two things that a call is given overlap. */
#define HW_RANGE 6
/* The bytes are no configuration, or one that makes no station with 128 channels. */
#define HW_CONFIGURATION 7
/* The station refuses, for a reason of a later version. What is refused has changed nothing. */
#define HW_REFUSED 8
/* There is none. */
#define HW_NONE 9
/* Another call with this memory is under way; nothing has been done. */
#define HW_IN_USE 10
/* The storage failed. */
#define HW_STORAGE 11

/* Only a timekeeper or a deputy does that. */
#define HW_REFUSED_NOT_TIMEKEEPER 16
/* A deputy has to wait: announces have not been missing for long enough. */
#define HW_REFUSED_TOO_EARLY 17
/* The stored watermark is lost: load a new plan. */
#define HW_REFUSED_WATERMARK_LOST 18
/* No slots are left: the net needs a new plan. */
#define HW_REFUSED_TIMELINE_ENDED 19
/* The station speaks, or wants to, already. */
#define HW_REFUSED_SPEAKING 20
/* Nobody pressed. */
#define HW_REFUSED_NOT_SPEAKING 21
/* An over or a run is under way. */
#define HW_REFUSED_BUSY 22
/* The payload is longer than a slot's, or the message than the outbox. */
#define HW_REFUSED_TOO_LONG 23
/* The last payload or message has not been sent yet. */
#define HW_REFUSED_FULL 24
/* The target is not in the station's directory. */
#define HW_REFUSED_NO_KEY 25
/* No order of a change of keys has been taken. */
#define HW_REFUSED_NO_ORDER 26
/* The order does not open here: for others, for another net key, or not newer than the last. */
#define HW_REFUSED_NOT_FOR_US 27
/* The plan has no calling channel. */
#define HW_REFUSED_NO_CHANNEL 28
/* A message of this slot or a later one has been sealed already. */
#define HW_REFUSED_SLOT_USED 29

/* The channels that a station has room for. */
#define HW_CHANNELS 128
/* The bytes of a header behind a unique word. */
#define HW_HEADER_BYTES 33
/* The bytes that a station needs: the size of hw_memory. */
#define HW_MEMORY_BYTES 6144
/* The size of hw_outbox. */
#define HW_OUTBOX_BYTES 2560
/* The size of hw_inbox. */
#define HW_INBOX_BYTES 15872
/* The size of hw_loader. */
#define HW_LOADER_BYTES 1024

/* ---- numbers ---- */

/* Neither listens nor transmits. */
#define HW_RADIO_OFF 0
/* Listens for word on channel, and for its bitwise complement if complement is 1. */
#define HW_RADIO_LISTEN 1
/* Transmits word on channel from at_us on, and then the burst. */
#define HW_RADIO_TRANSMIT 2

/* Nothing was ever stored under this net key, the key_name of hw_plan. */
#define HW_WATERMARK_FRESH 0
/* watermark_slot was stored. */
#define HW_WATERMARK_STORED 1
/* Something was stored and cannot be read. */
#define HW_WATERMARK_LOST 2

/* The form of a target that is everyone but one. */
#define HW_TARGET_ALL_BUT 15

/* Nothing of it was taken. */
#define HW_HEARD_DROPPED 0
/* A genuine header. */
#define HW_HEARD_HEADER 1
/* A payload for this station: hw_open_payload reads it. */
#define HW_HEARD_PAYLOAD 2
/* A slot of an over that is for others, or that it is not known yet for whom. */
#define HW_HEARD_BUSY 3

/* An event of a later version. */
#define HW_EVENT_OTHER 0
/* The station has net time, confirmed. */
#define HW_EVENT_IN_STEP 1
/* The station has lost net time and searches. */
#define HW_EVENT_OUT_OF_STEP 2
/* A run of sync slots is heard by a station in step: an announce, or the run before an over. */
#define HW_EVENT_ANNOUNCE_HEARD 3
/* An over for this station. */
#define HW_EVENT_CALL 4
/* An over for others. */
#define HW_EVENT_BUSY 5
/* The over has ended. */
#define HW_EVENT_CLEAR 6
/* The operator pressed and may not speak yet. */
#define HW_EVENT_HOLD_OFF 7
/* The operator may speak. */
#define HW_EVENT_GO_AHEAD 8
/* The station stopped its own over: it has lost net time. */
#define HW_EVENT_CUT 9
/* Store slot before the power can fail, with the key's name: for hw_start. Within as long as an announce lasts. */
#define HW_EVENT_SAVE_WATERMARK 10
/* No slots are left: the net needs a new plan. */
#define HW_EVENT_TIMELINE_ENDED 11
/* Slots can no longer be met one by one. */
#define HW_EVENT_COASTING 12
/* Somebody asks for attention on the calling channel. */
#define HW_EVENT_CALL_WAITING 13
/* There is traffic on the watch channel. */
#define HW_EVENT_WATCH_TRAFFIC 14
/* An order of a change of keys has been taken: store its bytes until the keys change. */
#define HW_EVENT_ORDERED 15
/* The net key has changed: store what hw_renew writes. */
#define HW_EVENT_KEYS_CHANGED 16

/* It hops with its net, sealed. */
#define HW_MODE_HOPPING 0
/* It stays on the calling channel, sealed with the keys of its net. */
#define HW_MODE_SINGLE_SEALED 1
/* It stays on the calling channel and speaks in the clear: anybody can hear what is said. */
#define HW_MODE_SINGLE_PLAIN 2

/* Neither timekeeper nor deputy. */
#define HW_ROLE_MEMBER 0
/* May start the net's timeline. */
#define HW_ROLE_TIMEKEEPER 1
/* May take over from the timekeeper. */
#define HW_ROLE_DEPUTY 2
/* No channel. */
#define HW_NO_CHANNEL 65535

/* A column that was missing. */
#define HW_TAKEN_STORED 0
/* A column that was there already, or that comes while it is being used. */
#define HW_TAKEN_REPEATED 1
/* A column that differs from the one that was there: both count as lost. */
#define HW_TAKEN_CONFLICTING 2
/* A column of a message that is complete, or older than the source's present one. */
#define HW_TAKEN_OLD 3
/* No part of a message, or a damaged one. */
#define HW_TAKEN_UNREADABLE 4
/* A part of a message that the inbox has no room for. */
#define HW_TAKEN_TOO_LONG 5

/* Nothing to do before another payload comes. */
#define HW_INBOX_WAITING 0
/* There is more to do; call again. */
#define HW_INBOX_WORKING 1
/* A message has arrived whole. */
#define HW_INBOX_READY 2

/* The bytes that an answer of the loader needs at most. */
#define HW_ANSWER_BYTES 306

/* It was accepted. */
#define HW_REFUSAL_NONE 0
/* It speaks another version of the protocol. */
#define HW_REFUSAL_PROTOCOL 1
/* It is another station than the one offered for. */
#define HW_REFUSAL_OTHER_STATION 2
/* It has no room for that many bytes. */
#define HW_REFUSAL_TOO_LONG 3
/* Its storage failed. */
#define HW_REFUSAL_STORAGE 4
/* What arrived is not what was offered. */
#define HW_REFUSAL_DAMAGED 5
/* It cannot open the seal: another key, or altered. */
#define HW_REFUSAL_SEAL 6
/* A later version of the format than it knows. */
#define HW_REFUSAL_VERSION 7
/* The content is not a configuration. */
#define HW_REFUSAL_CONTENT 8
/* The configuration makes no station. */
#define HW_REFUSAL_NO_STATION 9
/* It takes only what is sealed, and this is not. */
#define HW_REFUSAL_UNSEALED 10

/* ---- structures ---- */

/* The caller's memory for a station. */
typedef struct hw_memory {
    /* Words, so that it is aligned. */
    uint64_t words[HW_MEMORY_BYTES / 8];
} hw_memory;

/* The caller's memory for a message on its way out. */
typedef struct hw_outbox {
    /* Words, so that it is aligned. */
    uint64_t words[HW_OUTBOX_BYTES / 8];
} hw_outbox;

/* The caller's memory for messages on their way in, from two sources at a time. */
typedef struct hw_inbox {
    /* Words, so that it is aligned. */
    uint64_t words[HW_INBOX_BYTES / 8];
} hw_inbox;

/* The caller's memory for the station's end of the loader. */
typedef struct hw_loader {
    /* Words, so that it is aligned. */
    uint64_t words[HW_LOADER_BYTES / 8];
} hw_loader;

/* What a station's storage says, and its seed. */
typedef struct hw_start {
    /* Spreads the choices that no key decides: another one at every start, and at every station, of
       entropy or of the chip's number mixed with a count of starts that is stored before. With the same,
       two cut-ins may be under one keystream, and two stations begin on top of each other. */
    uint64_t seed;
    /* One of HW_WATERMARK_. */
    uint32_t watermark;
    /* The slot that was stored. */
    uint32_t watermark_slot;
} hw_start;

/* What the radio does, and until when. */
typedef struct hw_action {
    /* Since when. */
    uint64_t from_us;
    /* Until when; poll again then. */
    uint64_t until_us;
    /* If nothing is heard, reported or commanded, polls before this time may be left out, those at until_us
     * as well: the answer will be the same. */
    uint64_t poll_by_us;
    /* When a unique word starts: what would start more than half of the plan's jitter later is not sent. */
    uint64_t at_us;
    /* One of HW_RADIO_. */
    uint32_t radio;
    /* The unique word. */
    uint32_t word;
    /* The channel. */
    uint16_t channel;
    /* Whether the word's complement is waited for as well. If so, a payload follows the word, the bits of
     * hw_plan, and a header of HW_HEADER_BYTES its complement. If not, a header follows the word. */
    uint8_t complement;
    /* Nothing. */
    uint8_t unused[5];
} hw_action;

/* A unique word that the radio recognised, and what followed it. */
typedef struct hw_reception {
    /* When the word started, to within half of the plan's jitter. */
    uint64_t at_us;
    /* The bits after it, first bit most significant. */
    const uint8_t *bits;
    /* Their number of bytes. */
    size_t length;
    /* Which of the words that were waited for. */
    uint32_t word;
    /* Where. */
    uint16_t channel;
    /* Nothing. */
    uint8_t unused[2];
} hw_reception;

/* A traffic slot with something for this station in it. */
typedef struct hw_payload {
    /* The slot. */
    uint32_t slot;
    /* Whose slots these are: 0 the net's, 1 a cut-in's, 2 a single channel's. */
    uint8_t timeline;
    /* Who speaks. */
    uint8_t source;
    /* To whom: address, */
    uint8_t target_address;
    /* and form. */
    uint8_t target_form;
    /* Whether it is part of an order of a change of keys. */
    uint8_t order;
    /* Nothing. */
    uint8_t unused[3];
} hw_payload;

/* What became of a reception. */
typedef struct hw_heard {
    /* One of HW_HEARD_. */
    uint32_t what;
    /* The slot of a header. */
    uint32_t slot;
    /* The payload, if it is one. */
    hw_payload payload;
} hw_heard;

/* Something that the operator or the driver should know. */
typedef struct hw_event {
    /* One of HW_EVENT_. */
    uint32_t what;
    /* The slot, of events that have one. */
    uint32_t slot;
    /* Who calls. */
    uint8_t source;
    /* Whom the call is for: address, */
    uint8_t target_address;
    /* and form. */
    uint8_t target_form;
    /* Nothing. */
    uint8_t unused;
} hw_event;

/* Where a station is, and how it uses its radio. */
typedef struct hw_state {
    /* By how much its net time may be off; the largest number if it knows none. */
    uint64_t half_width_us;
    /* The slot under way, if it is in step. */
    uint32_t slot;
    /* One of HW_MODE_. */
    uint32_t mode;
    /* Whether it has confirmed net time. */
    uint8_t in_step;
    /* Whether it transmits, or is about to. */
    uint8_t holds_floor;
    /* Whether it has taken the floor without time. */
    uint8_t cuts_in;
    /* Whether what it sends now is under its net key: not in the clear, nor under the key before. */
    uint8_t uses_net_key;
    /* Its address. */
    uint8_t address;
    /* Whether it has a share of the key tree. */
    uint8_t has_share;
    /* How many changes of the net key the share has seen. */
    uint8_t generation;
    /* Nothing. */
    uint8_t unused;
} hw_state;

/* What was counted since the start. */
typedef struct hw_counters {
    /* Genuine headers taken. */
    uint32_t headers;
    /* Receptions that no member of the net made. */
    uint32_t not_genuine;
    /* Receptions that were not waited for. */
    uint32_t not_awaited;
    /* Traffic words out of place. */
    uint32_t out_of_place;
    /* Genuine headers from the past. */
    uint32_t replayed;
    /* Genuine headers from ahead of the clock. */
    uint32_t ahead;
    /* Polls that came too late for an own slot. Slots that were skipped whole are not counted. */
    uint32_t late;
    /* Events that found the queue full. */
    uint32_t events_lost;
} hw_counters;

/* What a configuration says of a station and its plan. Nothing of it is secret. */
typedef struct hw_plan {
    /* The silence of announces after which a deputy may take over; 0 for others. */
    uint64_t deputy_after_us;
    /* The length of a slot. */
    uint32_t slot_us;
    /* The time in which a receiver must listen and which ends with ramp and preamble of a transmitter: a
     * receiver has it less both. */
    uint32_t settle_us;
    /* The time by which clocks may differ. The unique word starts after settling and one guard. */
    uint32_t guard_us;
    /* The bit rate on the air. */
    uint32_t link_bps;
    /* The bits that a slot carries after its unique word of 32. */
    uint32_t bits;
    /* The bytes of payload that a traffic slot carries. */
    uint32_t payload_bytes;
    /* The bytes of the longest message that the plan allows. */
    uint32_t longest_message;
    /* By how much the stamp of a word may differ from when it should have started. */
    uint32_t jitter_us;
    /* By how much the station's clock may be fast or slow, parts in 10^9, in sleep as well. */
    uint32_t own_tolerance_ppb;
    /* The first 16 bytes of the plan's digest: two stations of one plan have the same. */
    uint8_t digest[16];
    /* A name of the net key, which may be shown: to store with a watermark, which belongs to the key. */
    uint8_t key_name[4];
    /* The channels of the hopset: hw_hopset gives each. */
    uint16_t channels;
    /* The calling channel, or HW_NO_CHANNEL. */
    uint16_t calling;
    /* The watch channel, or HW_NO_CHANNEL. */
    uint16_t watch;
    /* Received power from which a channel without a unique word is to be reported. */
    int16_t energy_threshold_dbm;
    /* Slots of an announce. */
    uint16_t announce_slots;
    /* The station's address. */
    uint8_t address;
    /* One of HW_ROLE_. */
    uint8_t role;
    /* The lane. */
    uint8_t lane;
    /* Columns of a block of a message, */
    uint8_t code_n;
    /* and how many of them suffice. */
    uint8_t code_k;
    /* Whether the station has a share of the key tree: calls are then told apart by keys. */
    uint8_t has_share;
    /* How many changes of the net key the share has seen. */
    uint8_t generation;
    /* Nothing. */
    uint8_t unused[7];
} hw_plan;

/* Equally spaced channels. A configuration does not say where its channels lie: the plan's raster is
 * the board's to know. */
typedef struct hw_raster {
    /* The centre of channel 0. */
    uint64_t base_hz;
    /* The distance between neighbours. */
    uint64_t spacing_hz;
    /* How many there are, 1 to 4096. */
    uint16_t channels;
    /* Nothing. */
    uint8_t unused[6];
} hw_raster;

/* What an inbox has come to. */
typedef struct hw_message {
    /* The text, if there is one: within the inbox, until the next call with it. */
    const uint8_t *text;
    /* Its number of bytes. */
    size_t length;
    /* One of HW_INBOX_. */
    uint32_t what;
    /* The slot in which it began. */
    uint32_t slot;
    /* Who sent it. */
    uint8_t source;
    /* Nothing. */
    uint8_t unused[7];
} hw_message;

/* Storage in two banks, erased as a whole to FF, then written once: flash memory. Each function is
 * given context and the bank, 0 or 1, and answers 0 if it did what it was asked to. Reads and writes
 * lie within capacity; writes begin at multiples of 16 bytes and are multiples of 16 bytes long, and
 * survive a loss of power from their return on. */
typedef struct hw_storage {
    /* Handed to each function. */
    void *context;
    /* The bytes of one bank. */
    size_t capacity;
    /* Reads length bytes from at on. */
    int32_t (*read)(void *context, uint32_t bank, size_t at, uint8_t *bytes, size_t length);
    /* Writes length bytes from at on, which have not been written since the bank was erased. */
    int32_t (*write)(void *context, uint32_t bank, size_t at, const uint8_t *bytes, size_t length);
    /* Makes every byte of a bank FF; if in steps, the beginning of the bank first. If power goes
     * between, what begins with an offer looks like a configuration that is being built, and the same
     * one offered again is written on into what was never wholly erased. */
    int32_t (*erase)(void *context, uint32_t bank);
} hw_storage;

/* Which configurations a station takes. */
typedef struct hw_judge {
    /* The transfer key, of a station that has one. */
    uint8_t transfer_key[32];
    /* 1: only what is sealed with the transfer key. 0: only what is open, of which anybody with a
     * cable could be the author. */
    uint8_t sealed;
    /* 1: only what is for address. 0: whatever comes first, of a station without an address. */
    uint8_t addressed;
    /* The station's address. */
    uint8_t address;
    /* Nothing. */
    uint8_t unused;
} hw_judge;

/* What became of an offer. */
typedef struct hw_verdict {
    /* How many configurations have been committed, this one included; 0 if it was refused. */
    uint32_t generation;
    /* Its bytes as it was carried; 0 if it was refused. */
    uint32_t size;
    /* Whether the new configuration is what the next start uses; else the old one is, if there was one. */
    uint8_t accepted;
    /* Why not: one of HW_REFUSAL_. */
    uint8_t refusal;
    /* Nothing. */
    uint8_t unused[2];
} hw_verdict;

HW_STATIC_ASSERT(sizeof(hw_start) == 16, "hw_start");
HW_STATIC_ASSERT(sizeof(hw_action) == 48, "hw_action");
HW_STATIC_ASSERT(sizeof(hw_payload) == 12, "hw_payload");
HW_STATIC_ASSERT(sizeof(hw_heard) == 20, "hw_heard");
HW_STATIC_ASSERT(sizeof(hw_event) == 12, "hw_event");
HW_STATIC_ASSERT(sizeof(hw_state) == 24, "hw_state");
HW_STATIC_ASSERT(sizeof(hw_counters) == 32, "hw_counters");
HW_STATIC_ASSERT(sizeof(hw_plan) == 88, "hw_plan");
HW_STATIC_ASSERT(sizeof(hw_raster) == 24, "hw_raster");
HW_STATIC_ASSERT(sizeof(hw_judge) == 36, "hw_judge");
HW_STATIC_ASSERT(sizeof(hw_verdict) == 12, "hw_verdict");
HW_STATIC_ASSERT(sizeof(hw_memory) == HW_MEMORY_BYTES, "hw_memory");
HW_STATIC_ASSERT(sizeof(hw_outbox) == HW_OUTBOX_BYTES, "hw_outbox");
HW_STATIC_ASSERT(sizeof(hw_inbox) == HW_INBOX_BYTES, "hw_inbox");
HW_STATIC_ASSERT(sizeof(hw_loader) == HW_LOADER_BYTES, "hw_loader");
HW_STATIC_ASSERT(sizeof(hw_reception) == 16 + 2 * sizeof(void *), "hw_reception");
HW_STATIC_ASSERT(sizeof(hw_message) == 16 + 2 * sizeof(void *), "hw_message");
HW_STATIC_ASSERT(sizeof(hw_storage) == 5 * sizeof(void *), "hw_storage");

/* ---- the station ---- */

/* Makes a station in memory from the bytes of a configuration.
 *
 * HW_NULL, HW_MISALIGNED, HW_READY if there is one already, HW_CONFIGURATION, HW_RANGE for a watermark
 * of no kind.
 *
 * Safety:
 * memory points to an hw_memory, configuration to length bytes, start to an hw_start. What is said of
 * all functions holds. */
int32_t hw_init(
    hw_memory *memory,
    const uint8_t *configuration,
    size_t length,
    const hw_start *start);

/* Ends a station and wipes its memory, keys and all.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_end(hw_memory *memory);

/* Says what the radio does from now_us on.
 *
 * Safety:
 * memory points to an hw_memory, action to room for an hw_action. What is said of all functions holds. */
int32_t hw_poll(hw_memory *memory, uint64_t now_us, hw_action *action);

/* Copies the bits of the present transmission to bits, and their number of bytes to length, which is 0
 * if there is none. HW_TOO_SMALL if there is no room; length then says how much is needed.
 *
 * Safety:
 * memory points to an hw_memory, bits to room bytes, length to a size_t. What is said of all functions
 * holds. */
int32_t hw_burst(hw_memory *memory, uint8_t *bits, size_t room, size_t *length);

/* Takes note of a unique word that the radio recognised and of what followed it.
 *
 * Safety:
 * memory points to an hw_memory, reception to an hw_reception whose bits point to length bytes, heard
 * to room for an hw_heard. What is said of all functions holds. */
int32_t hw_heard_word(
    hw_memory *memory,
    uint64_t now_us,
    const hw_reception *reception,
    hw_heard *heard);

/* Takes note of a slot's time with power on a channel and no unique word.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_energy(hw_memory *memory, uint64_t now_us, uint16_t channel, int16_t level_dbm);

/* Gives the next event, oldest first. HW_NONE if there is none.
 *
 * Safety:
 * memory points to an hw_memory, event to room for an hw_event. What is said of all functions holds. */
int32_t hw_next_event(hw_memory *memory, hw_event *event);

/* Whether the station has confirmed net time: 1 or 0 to in_step.
 *
 * Safety:
 * memory points to an hw_memory, in_step to an uint8_t. What is said of all functions holds. */
int32_t hw_in_step(hw_memory *memory, uint8_t *in_step);

/* Where the station is, and how it uses its radio.
 *
 * Safety:
 * memory points to an hw_memory, state to room for an hw_state. What is said of all functions holds. */
int32_t hw_look(hw_memory *memory, uint64_t now_us, hw_state *state);

/* What has been counted since the start.
 *
 * Safety:
 * memory points to an hw_memory, counters to room for an hw_counters. What is said of all functions
 * holds. */
int32_t hw_count(hw_memory *memory, hw_counters *counters);

/* ---- what an operator asks, and what is said ---- */

/* The timekeeper or a deputy announces. HW_REFUSED_NOT_TIMEKEEPER and others if it may not.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_announce(hw_memory *memory, uint64_t now_us);

/* The operator presses to speak, to the stations that begin with the leading form bits (0 to 8) of
 * address, or to everyone but one (HW_TARGET_ALL_BUT). HW_RANGE if there is no such target,
 * HW_REFUSED_NO_KEY if the station has no key to it, HW_REFUSED_SPEAKING.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_press(hw_memory *memory, uint64_t now_us, uint8_t address, uint8_t form);

/* The operator lets go. HW_REFUSED_NOT_SPEAKING if nobody has pressed. A payload that waits is dropped:
 * release when an empty hw_queue_payload is no longer HW_REFUSED_FULL.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_release(hw_memory *memory, uint64_t now_us);

/* Asks for the floor to send the order of a change of keys, once hw_take_order has taken it here: to
 * everyone, by an outbox. HW_REFUSED_NO_ORDER if none has been taken, HW_REFUSED_NOT_TIMEKEEPER for a
 * member, HW_REFUSED_SPEAKING, HW_REFUSED_BUSY on a single channel.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_order(hw_memory *memory, uint64_t now_us);

/* Uses the radio in another way from now on: one of HW_MODE_. Net time goes on underneath. HW_RANGE if
 * there is no such mode, HW_REFUSED_NO_CHANNEL if the plan has no calling channel,
 * HW_REFUSED_SPEAKING.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_set_mode(hw_memory *memory, uint64_t now_us, uint32_t mode);

/* Hands over the payload of the next traffic slot of an over. HW_REFUSED_NOT_SPEAKING if there is no
 * over, or it has been released, HW_REFUSED_FULL while the last payload waits, HW_REFUSED_TOO_LONG if a slot does not carry it.
 *
 * Safety:
 * memory points to an hw_memory, payload to length bytes. What is said of all functions holds. */
int32_t hw_queue_payload(hw_memory *memory, const uint8_t *payload, size_t length);

/* Reads the bits of a traffic slot that hw_heard_word has called a payload: the text goes to text, its
 * number of bytes to text_length. HW_NONE if the station has no key to it, the bits are garbled, or
 * there is no room. The text is encrypted on the way, not authenticated.
 *
 * Safety:
 * memory points to an hw_memory, payload to an hw_payload, bits to length bytes, text to room bytes,
 * text_length to a size_t. What is said of all functions holds. */
int32_t hw_open_payload(
    hw_memory *memory,
    const hw_payload *payload,
    const uint8_t *bits,
    size_t length,
    uint8_t *text,
    size_t room,
    size_t *text_length);

/* ---- messages ---- */

/* Makes an outbox for a plan, as hw_read_plan gives it. HW_RANGE if its code is impossible. One for a
 * station, made once and kept as long as that: only it knows which slots have served. A second one, or
 * one made anew while the station goes on, seals two texts under one nonce.
 *
 * Safety:
 * outbox points to an hw_outbox, plan to an hw_plan. What is said of all functions holds. */
int32_t hw_outbox_init(hw_outbox *outbox, const hw_plan *plan);

/* Ends an outbox and wipes its memory.
 *
 * Safety:
 * outbox points to an hw_outbox. What is said of all functions holds. */
int32_t hw_outbox_end(hw_outbox *outbox);

/* Takes a message, and seals it for the station's own over to a target, from slot on: the one that
 * HW_EVENT_GO_AHEAD names. HW_RANGE if there is no such target, HW_REFUSED_NO_KEY if the station has
 * no key to it, HW_REFUSED_FULL while columns of the last message are left, HW_REFUSED_TOO_LONG beyond
 * hw_outbox_longest, HW_REFUSED_NOT_SPEAKING without an over, HW_REFUSED_SLOT_USED if a message of this
 * slot or a later one has been sealed.
 *
 * Safety:
 * outbox points to an hw_outbox, memory to an hw_memory, text to length bytes. What is said of all
 * functions holds. */
int32_t hw_outbox_load(
    hw_outbox *outbox,
    hw_memory *memory,
    uint32_t slot,
    uint8_t address,
    uint8_t form,
    const uint8_t *text,
    size_t length);

/* Hands the next column of the message to a station that holds the floor, as its next payload. Call it
 * after every poll of an over: nothing is lost when it refuses. HW_REFUSED_FULL while the last one
 * waits, HW_NONE if no column is left and none waits: release then. HW_REFUSED_NOT_SPEAKING,
 * HW_TOO_SMALL if the station's slots are shorter than those of the outbox's plan.
 *
 * Safety:
 * outbox points to an hw_outbox, memory to an hw_memory. What is said of all functions holds. */
int32_t hw_outbox_send(hw_outbox *outbox, hw_memory *memory);

/* Copies the next column of the message to payload, and its number of bytes to length: for a carrier
 * other than hw_outbox_send. HW_NONE if no column is left, HW_TOO_SMALL if there is no room.
 *
 * Safety:
 * outbox points to an hw_outbox, payload to room bytes, length to a size_t. What is said of all
 * functions holds. */
int32_t hw_outbox_next(hw_outbox *outbox, uint8_t *payload, size_t room, size_t *length);

/* How many columns are still to be sent.
 *
 * Safety:
 * outbox points to an hw_outbox, left to an uint16_t. What is said of all functions holds. */
int32_t hw_outbox_left(hw_outbox *outbox, uint16_t *left);

/* The bytes of the longest text that the plan allows, the outbox holds and an inbox of the others does.
 *
 * Safety:
 * outbox points to an hw_outbox, bytes to an uint16_t. What is said of all functions holds. */
int32_t hw_outbox_longest(hw_outbox *outbox, uint16_t *bytes);

/* Sends the last message again from its first column. Nothing happens without one.
 *
 * It stays sealed for the target, the timeline and the slot that it was loaded for: nobody opens it in
 * an over on another timeline (at home what began in a cut-in), for another target of a key tree, after
 * a change of keys, or more than 65 536 slots later. Load it anew in each of these cases.
 *
 * Safety:
 * outbox points to an hw_outbox. What is said of all functions holds. */
int32_t hw_outbox_repeat(hw_outbox *outbox);

/* Gives up what is left of the message.
 *
 * Safety:
 * outbox points to an hw_outbox. What is said of all functions holds. */
int32_t hw_outbox_clear(hw_outbox *outbox);

/* Makes an inbox for a plan, as hw_read_plan gives it. HW_RANGE if its code is impossible.
 *
 * Safety:
 * inbox points to an hw_inbox, plan to an hw_plan. What is said of all functions holds. */
int32_t hw_inbox_init(hw_inbox *inbox, const hw_plan *plan);

/* Ends an inbox and wipes its memory, with all that was said.
 *
 * Safety:
 * inbox points to an hw_inbox. What is said of all functions holds. */
int32_t hw_inbox_end(hw_inbox *inbox);

/* Takes a payload that hw_open_payload has read; what became of it goes to taken, one of HW_TAKEN_.
 * HW_NONE if the station has no key to such a call.
 *
 * Safety:
 * inbox points to an hw_inbox, memory to an hw_memory, payload to an hw_payload, text to length bytes,
 * taken to an uint32_t. What is said of all functions holds. */
int32_t hw_inbox_take(
    hw_inbox *inbox,
    hw_memory *memory,
    const hw_payload *payload,
    const uint8_t *text,
    size_t length,
    uint32_t *taken);

/* Does one piece of an inbox's work, whenever there is time, until it waits. A message is told once,
 * and wiped with the next call.
 *
 * Safety:
 * inbox points to an hw_inbox, message to room for an hw_message. What is said of all functions holds. */
int32_t hw_inbox_work(hw_inbox *inbox, hw_message *message);

/* ---- a change of keys ---- */

/* Takes the order of a change of keys, as the planner made it or a message brought it. The station
 * goes over at the order's slot by itself. HW_REFUSED_NOT_FOR_US if it does not open here;
 * HW_REFUSED_FULL while HW_EVENT_KEYS_CHANGED of the change before waits for room: drain the events.
 *
 * Store the order at HW_EVENT_ORDERED, and hand it over again after a restart, until
 * HW_EVENT_KEYS_CHANGED. If it is refused with HW_REFUSED_NOT_FOR_US then, the stored keys are those
 * behind the change already: drop it.
 *
 * Safety:
 * memory points to an hw_memory, order to length bytes. What is said of all functions holds. */
int32_t hw_take_order(hw_memory *memory, uint64_t now_us, const uint8_t *order, size_t length);

/* Writes a configuration again, with the keys that the station has now: what to store in its place at
 * HW_EVENT_KEYS_CHANGED. Its number of bytes goes to renewed_length. HW_TOO_SMALL if there is no room;
 * renewed_length then says how much is needed, and renewed is zeros. HW_CONFIGURATION if the bytes are
 * no configuration, or one of another address or another hopset: hand over the one that the station
 * was made of. Nothing else in it is compared, and all of it but the keys is written as it is.
 *
 * It holds the keys in the clear. hw_replace_configuration stores it, sealed if need be.
 *
 * Safety:
 * memory points to an hw_memory, configuration to length bytes, renewed to room bytes, renewed_length
 * to a size_t. What is said of all functions holds. */
int32_t hw_renew(
    hw_memory *memory,
    const uint8_t *configuration,
    size_t length,
    uint8_t *renewed,
    size_t room,
    size_t *renewed_length);

/* ---- the plan ---- */

/* Reads what a board has to know of a configuration. HW_CONFIGURATION if it is none, or its code of
 * messages is impossible.
 *
 * Safety:
 * configuration points to length bytes, plan to room for an hw_plan. What is said of all functions
 * holds. */
int32_t hw_read_plan(const uint8_t *configuration, size_t length, hw_plan *plan);

/* Gives the channel of a station's hopset at a rank, from 0 on: those that a board tunes to. HW_NONE
 * beyond the last.
 *
 * Safety:
 * memory points to an hw_memory, channel to an uint16_t. What is said of all functions holds. */
int32_t hw_hopset(hw_memory *memory, uint16_t rank, uint16_t *channel);

/* The centre frequency of a channel of a raster. HW_RANGE if the raster is impossible or does not
 * reach it.
 *
 * Safety:
 * raster points to an hw_raster, frequency_hz to an uint64_t. What is said of all functions holds. */
int32_t hw_frequency(const hw_raster *raster, uint16_t number, uint64_t *frequency_hz);

/* ---- the loader ---- */

/* Makes the station's end of the loader, and looks at what the storage holds. A configuration must fit
 * into work, where it is judged; work belongs to the loader until hw_loader_end. HW_NULL also if a
 * function of the storage is, HW_RANGE if the judge's numbers mean nothing, HW_STORAGE if the storage
 * cannot be read.
 *
 * The functions of the storage are called from within this call and hw_loader_take. They may call
 * nothing with this loader.
 *
 * Safety:
 * loader points to an hw_loader, storage to an hw_storage whose functions are null or do what it says,
 * judge to an hw_judge, work to room bytes that nobody else uses until hw_loader_end. What is said of
 * all functions holds. */
int32_t hw_loader_init(
    hw_loader *loader,
    const hw_storage *storage,
    const hw_judge *judge,
    uint8_t *work,
    size_t room);

/* Takes bytes from the carrier, until there is an answer: used says how many, answer_length how many
 * bytes are to be sent. Call it again with the rest. HW_TOO_SMALL, and none is taken, unless room is
 * HW_ANSWER_BYTES at least.
 *
 * Safety:
 * loader points to an hw_loader, received to length bytes, used to a size_t, answer to room bytes,
 * answer_length to a size_t. What is said of all functions holds. */
int32_t hw_loader_take(
    hw_loader *loader,
    const uint8_t *received,
    size_t length,
    size_t *used,
    uint8_t *answer,
    size_t room,
    size_t *answer_length);

/* What became of the last offer. HW_NONE while that is open.
 *
 * Safety:
 * loader points to an hw_loader, verdict to room for an hw_verdict. What is said of all functions
 * holds. */
int32_t hw_loader_verdict(hw_loader *loader, hw_verdict *verdict);

/* Ends a loader and wipes its memory. work is the caller's again; it has been wiped after every
 * judgement.
 *
 * Safety:
 * loader points to an hw_loader. What is said of all functions holds. */
int32_t hw_loader_end(hw_loader *loader);

/* Copies the configuration in use from the storage to configuration, opened, and its number of bytes
 * to length: for hw_init, after a start. Not while a loader uses the same storage. HW_NONE if there is
 * none, HW_STORAGE if the storage cannot be read, HW_TOO_SMALL if there is no room for it as it was
 * carried, HW_CONFIGURATION if the judge does not open it. What is not the configuration is wiped.
 *
 * Safety:
 * storage points to an hw_storage whose functions are null or do what it says, judge to an hw_judge,
 * configuration to room bytes, length to a size_t. What is said of all functions holds. */
int32_t hw_load_configuration(
    const hw_storage *storage,
    const hw_judge *judge,
    uint8_t *configuration,
    size_t room,
    size_t *length);

/* Puts a configuration in the place of the one in use, so that a loss of power leaves the one or the
 * other: what hw_renew has written, at HW_EVENT_KEYS_CHANGED. For a judge that takes what is sealed it
 * is sealed with the transfer key first, in work, which is wiped afterwards; hw_load_configuration opens
 * it with the same judge. Not while a loader uses the same storage.
 *
 * nonce is 12 bytes that no content was ever sealed with under this key: draw them at random.
 *
 * HW_NONE if there is no configuration in use, HW_CONFIGURATION if the bytes are not the one in use with
 * the keys of a later change, or the judge does not open that: a carrier has brought another one, of
 * another plan or of the same with other keys, role or directory, which the station has not been made of
 * yet, and which must not be lost. Make it anew then, and drop the order. HW_TOO_SMALL if work or a bank
 * has no room: it takes 64 bytes more when it is sealed, and in work there must be room for the one in
 * use as well, as it was carried. HW_STORAGE if the storage fails; the old one is in use then, unless it
 * could not even be erased: then the next start tells which is.
 *
 * Safety:
 * storage points to an hw_storage whose functions are null or do what it says, judge to an hw_judge,
 * nonce to 12 bytes, configuration to length bytes, work to room bytes. What is said of all functions
 * holds. */
int32_t hw_replace_configuration(
    const hw_storage *storage,
    const hw_judge *judge,
    const uint8_t *nonce,
    const uint8_t *configuration,
    size_t length,
    uint8_t *work,
    size_t room);

#ifdef __cplusplus
}
#endif

#endif

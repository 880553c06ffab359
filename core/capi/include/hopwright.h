/* Hopwright: the station for programs in C.
 *
 * The caller gives the memory, the time in microseconds and a configuration. Nothing is allocated, and
 * nothing is kept but in that memory. Every function answers with a status: HW_OK, or what was wrong.
 *
 * What no function can check, and each relies on:
 *
 * - Memory has been zeroed before it is first used (as a static object is), and not been written by
 *   anyone else since. It must not be moved or copied while there is a station in it.
 * - A pointer to so many bytes points to so many, for the length of the call, and bytes that are
 *   written to have been written before.
 * - No two calls for one station run at the same time: neither an interrupt's nor a thread's.
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

/* Statuses. */
/* Done. */
#define HW_OK 0
/* A pointer is null. */
#define HW_NULL 1
/* A pointer is not aligned. */
#define HW_MISALIGNED 2
/* There is no station in this memory: hw_init has not been called, or hw_end has. */
#define HW_NOT_READY 3
/* There is a station in this memory already. */
#define HW_READY 4
/* The memory or the buffer is too small. */
#define HW_TOO_SMALL 5
/* A number is out of range, a length cannot be, or two buffers overlap. */
#define HW_RANGE 6
/* The bytes are no configuration, or one that makes no station with 128 channels. */
#define HW_CONFIGURATION 7
/* The station refuses; nothing has changed. */
#define HW_REFUSED 8
/* There is none. */
#define HW_NONE 9

/* The channels that a station has room for. */
#define HW_CHANNELS 128
/* The bytes that a station needs: the size of hw_memory. */
#define HW_MEMORY_BYTES 6144

/* Neither listens nor transmits. */
#define HW_RADIO_OFF 0
/* Listens for word on channel, and for its bitwise complement if complement is 1. */
#define HW_RADIO_LISTEN 1
/* Transmits word on channel from at_us on, and then the burst. */
#define HW_RADIO_TRANSMIT 2
/* The plan is new: nothing was ever stored. */
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
/* A run that starts the net is heard by a station in step. */
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
/* Store slot before the power can fail. */
#define HW_EVENT_SAVE_WATERMARK 10
/* No slots are left: the net needs a new plan. */
#define HW_EVENT_TIMELINE_ENDED 11
/* Slots can no longer be met one by one. */
#define HW_EVENT_COASTING 12
/* Somebody asks for attention on the calling channel. */
#define HW_EVENT_CALL_WAITING 13
/* There is traffic on the watch channel. */
#define HW_EVENT_WATCH_TRAFFIC 14
/* An order of a change of keys has been taken. */
#define HW_EVENT_ORDERED 15
/* The net key has changed. */
#define HW_EVENT_KEYS_CHANGED 16

/* The caller's memory for a station. */
typedef struct hw_memory {
    uint64_t words[HW_MEMORY_BYTES / 8];
} hw_memory;

/* What a station's storage says, and its seed. */
typedef struct hw_start {
    /* Spreads the choices that no key decides; any value will do. */
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
    /* Polls before this may be skipped, if nothing happens. */
    uint64_t poll_by_us;
    /* When a unique word starts. */
    uint64_t at_us;
    /* One of HW_RADIO_. */
    uint32_t radio;
    /* The unique word. */
    uint32_t word;
    /* The channel. */
    uint16_t channel;
    /* Whether the word's complement is waited for as well. */
    uint8_t complement;
    /* Nothing. */
    uint8_t unused[5];
} hw_action;

/* A unique word that the radio recognised, and what followed it. */
typedef struct hw_reception {
    /* When the word started. */
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
    /* Own slots that were not sent because the poll came too late. */
    uint32_t late;
    /* Events that found the queue full. */
    uint32_t events_lost;
} hw_counters;

HW_STATIC_ASSERT(sizeof(hw_start) == 16, "hw_start");
HW_STATIC_ASSERT(sizeof(hw_action) == 48, "hw_action");
HW_STATIC_ASSERT(sizeof(hw_payload) == 12, "hw_payload");
HW_STATIC_ASSERT(sizeof(hw_heard) == 20, "hw_heard");
HW_STATIC_ASSERT(sizeof(hw_event) == 12, "hw_event");
HW_STATIC_ASSERT(sizeof(hw_counters) == 32, "hw_counters");
HW_STATIC_ASSERT(sizeof(hw_memory) == HW_MEMORY_BYTES, "hw_memory");
HW_STATIC_ASSERT(sizeof(hw_reception) == 16 + 2 * sizeof(void *), "hw_reception");

/* Makes a station in memory from the bytes of a configuration.
 *
 * HW_NULL, HW_MISALIGNED, HW_READY if there is one already, HW_CONFIGURATION, HW_RANGE for a watermark of
 * no kind.
 *
 * Safety:
 * memory points to an hw_memory, configuration to length bytes, start to an hw_start. What
 * is said of all functions holds. */
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
 * memory points to an hw_memory, action to room for an hw_action. What is said of all
 * functions holds. */
int32_t hw_poll(hw_memory *memory, uint64_t now_us, hw_action *action);

/* Copies the bits of the present transmission to bits, and their number of bytes to length, which
 * is 0 if there is none. HW_TOO_SMALL if there is no room; length then says how much is needed.
 *
 * Safety:
 * memory points to an hw_memory, bits to room bytes, length to a size_t. What is said of
 * all functions holds. */
int32_t hw_burst(hw_memory *memory, uint8_t *bits, size_t room, size_t *length);

/* Takes note of a unique word that the radio recognised and of what followed it.
 *
 * Safety:
 * memory points to an hw_memory, reception to an hw_reception whose bits point to length
 * bytes, heard to room for an hw_heard. What is said of all functions holds. */
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

/* The timekeeper or a deputy announces. HW_REFUSED if it may not.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_announce(hw_memory *memory, uint64_t now_us);

/* The operator presses to speak, to the stations that begin with the leading form bits (0 to 8) of
 * address, or to everyone but one (HW_TARGET_ALL_BUT). HW_RANGE if there is no such target, HW_REFUSED
 * if it may not be called.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_press(hw_memory *memory, uint64_t now_us, uint8_t address, uint8_t form);

/* The operator lets go. HW_REFUSED if nobody has pressed.
 *
 * Safety:
 * memory points to an hw_memory. What is said of all functions holds. */
int32_t hw_release(hw_memory *memory, uint64_t now_us);

/* Hands over the payload of the next traffic slot of an over. HW_REFUSED if there is no over, the last
 * payload waits, or it is longer than a slot carries.
 *
 * Safety:
 * memory points to an hw_memory, payload to length bytes. What is said of all functions holds. */
int32_t hw_queue_payload(hw_memory *memory, const uint8_t *payload, size_t length);

/* Reads the bits of a traffic slot that hw_heard_word has called a payload: the text goes to
 * text, its number of bytes to text_length. HW_NONE if the station has no key to it, the bits are
 * garbled, or there is no room. The text is encrypted on the way, not authenticated.
 *
 * Safety:
 * memory points to an hw_memory, payload to an hw_payload, bits to length bytes, text to
 * room bytes, text_length to a size_t. What is said of all functions holds. */
int32_t hw_open_payload(
    hw_memory *memory,
    const hw_payload *payload,
    const uint8_t *bits,
    size_t length,
    uint8_t *text,
    size_t room,
    size_t *text_length);

/* Gives the next event, oldest first. HW_NONE if there is none.
 *
 * Safety:
 * memory points to an hw_memory, event to room for an hw_event. What is said of all functions
 * holds. */
int32_t hw_next_event(hw_memory *memory, hw_event *event);

/* Whether the station has confirmed net time: 1 or 0 to in_step.
 *
 * Safety:
 * memory points to an hw_memory, in_step to an uint8_t. What is said of all functions holds. */
int32_t hw_in_step(hw_memory *memory, uint8_t *in_step);

/* What has been counted since the start.
 *
 * Safety:
 * memory points to an hw_memory, counters to room for an hw_counters. What is said of all
 * functions holds. */
int32_t hw_count(hw_memory *memory, hw_counters *counters);

#ifdef __cplusplus
}
#endif

#endif

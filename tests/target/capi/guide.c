/* The driver loop of docs/c.md, on two boards that share a processor and an air: a post announces and
 * says something, and a gauge comes into step and hears it. The functions of the radio are what a board
 * has to bring; here they stand for radios in memory. */

#include "program.h"
#include "configurations.h"

#define LEAD_US 640u
#define WORD_US 640u
#define BYTE_US 160u
#define POWER_NONE (-120)

struct board {
    hw_memory *station;
    hw_action action;
    /* Where its radio is, and what it waits for. */
    uint64_t hz;
    uint32_t word;
    uint32_t bytes;
    uint32_t complement_bytes;
    /* When the slot's time that it listens for is over. */
    uint64_t span_ends;
    int listens, heard, said;
    /* What survives a loss of power: the last watermark, and under which key. */
    uint32_t watermark;
    uint8_t watermark_key[4];
};

/* What is on the air. */
static struct {
    uint64_t hz, at_us;
    uint32_t word;
    size_t length;
    uint8_t bits[512];
    /* The gauge has heard it. */
    int taken;
} air;

static hw_memory post_station, gauge_station;
static struct board post = {.station = &post_station}, gauge = {.station = &gauge_station};
static hw_plan plan;
static uint8_t bits[512], text[128];
static const char words[] = "the float is free again";

/* ---- what a board brings ---- */

static void radio_off(struct board *board)
{
    board->listens = 0;
}

static void radio_tune(struct board *board, uint64_t hz)
{
    board->listens = 0;
    board->hz = hz;
}

static void radio_listen(struct board *board, uint32_t word, uint32_t bytes, uint32_t complement_bytes)
{
    board->word = word;
    board->bytes = bytes;
    board->complement_bytes = complement_bytes;
    board->listens = 1;
}

static void radio_send(struct board *board, uint32_t word, const uint8_t *what, size_t length, uint64_t at_us)
{
    air.hz = board->hz;
    air.at_us = at_us;
    air.word = word;
    air.length = length;
    air.taken = 0;
    for (size_t i = 0; i < length; i++)
        air.bits[i] = what[i];
}

static void store_watermark(struct board *board, const uint8_t *key_name, uint32_t slot)
{
    for (size_t i = 0; i < sizeof board->watermark_key; i++)
        board->watermark_key[i] = key_name[i];
    board->watermark = slot;
}

static int16_t radio_level(const struct board *board)
{
    (void)board;
    return POWER_NONE;
}

/* ---- the driver loop ---- */

static const hw_raster raster = {.base_hz = 902300000, .spacing_hz = 200000, .channels = 400};

/* Asks the station what the radio does now, and has it done. */
static int32_t ask(struct board *board, uint64_t now)
{
    hw_action next;
    uint64_t hz;
    size_t length;
    MUST(hw_poll(board->station, now, &next) == HW_OK);
    int goes_on = next.radio == board->action.radio && next.from_us == board->action.from_us &&
                  next.channel == board->action.channel && next.word == board->action.word;
    board->action = next;
    if (goes_on)
        return 0;
    board->heard = 0;
    board->span_ends = now + plan.slot_us;
    if (next.radio == HW_RADIO_OFF) {
        radio_off(board);
        return 0;
    }
    MUST(hw_frequency(&raster, next.channel, &hz) == HW_OK);
    radio_tune(board, hz);
    if (next.radio == HW_RADIO_LISTEN) {
        /* With complement a payload follows the word, and a header its complement; else a header the word. */
        radio_listen(board, next.word, next.complement ? plan.bits / 8 : HW_HEADER_BYTES,
                     next.complement ? HW_HEADER_BYTES : 0);
    } else {
        MUST(hw_burst(board->station, bits, sizeof bits, &length) == HW_OK);
        radio_send(board, next.word, bits, length, next.at_us);
    }
    return 0;
}

/* The radio has matched a word and received what follows it. */
static int32_t received(struct board *board, uint64_t now, const hw_reception *reception)
{
    hw_heard heard;
    size_t length;
    board->heard = 1;
    MUST(hw_heard_word(board->station, now, reception, &heard) == HW_OK);
    /* Before the next poll: the station may go over to another key in that. */
    if (heard.what == HW_HEARD_PAYLOAD) {
        /* HW_NONE for what noise has garbled: that is no mistake. */
        if (hw_open_payload(board->station, &heard.payload, reception->bits, reception->length, text,
                            sizeof text, &length) == HW_OK)
            board->said += length == sizeof words && same(text, (const uint8_t *)words, length);
    }
    return 0;
}

/* A slot's time of listening is over, or the action is: what power there was, if there was no word. */
static int32_t span_over(struct board *board, uint64_t now)
{
    if (board->action.radio == HW_RADIO_LISTEN && !board->heard)
        MUST(hw_energy(board->station, now, board->action.channel, radio_level(board)) == HW_OK);
    board->heard = 0;
    board->span_ends = now + plan.slot_us;
    return 0;
}

/* What the operator should know, and what he says. */
static int32_t events(struct board *board)
{
    hw_event event;
    while (hw_next_event(board->station, &event) == HW_OK) {
        if (event.what == HW_EVENT_SAVE_WATERMARK)
            store_watermark(board, plan.key_name, event.slot);
        if (event.what == HW_EVENT_GO_AHEAD)
            MUST(hw_queue_payload(board->station, (const uint8_t *)words, sizeof words) == HW_OK);
    }
    return 0;
}

/* ---- two boards ---- */

/* When the gauge has all of what is on the air, if it listens to that. */
static uint64_t due_to_hear(void)
{
    int first = air.word == gauge.word, second = gauge.complement_bytes && air.word == ~gauge.word;
    if (!gauge.listens || air.taken || air.hz != gauge.hz || !(first || second))
        return UINT64_MAX;
    if (gauge.action.from_us > air.at_us - LEAD_US || gauge.action.until_us < air.at_us)
        return UINT64_MAX;
    return air.at_us + WORD_US + BYTE_US * (first ? gauge.bytes : gauge.complement_bytes);
}

static int32_t gauge_hears(uint64_t now)
{
    int first = air.word == gauge.word;
    hw_reception reception = {
        .at_us = air.at_us,
        .bits = air.bits,
        .length = first ? gauge.bytes : gauge.complement_bytes,
        .word = air.word,
        .channel = gauge.action.channel,
    };
    air.taken = 1;
    return received(&gauge, now, &reception);
}

int32_t guide(void)
{
    const uint64_t chip_number = 0x0042, starts = 7;
    const uint32_t stored = 20000;
    uint64_t now = 0, announces = 50000, presses = 5000000, ends = 7000000;
    const uint8_t *configuration = POST;
    size_t length = sizeof POST;
    hw_start start = {.seed = chip_number ^ starts << 32, /* counted in storage: another at every start */
                      .watermark = HW_WATERMARK_STORED, .watermark_slot = stored};
    MUST(hw_read_plan(configuration, length, &plan) == HW_OK);
    MUST(hw_init(&post_station, configuration, length, &start) == HW_OK);
    start.seed ^= 1;
    MUST(hw_init(&gauge_station, GAUGE, sizeof GAUGE, &start) == HW_OK);
    RUN(ask(&post, now));
    RUN(ask(&gauge, now));
    while (now < ends && gauge.said == 0) {
        uint64_t hears = due_to_hear(), due = hears;
        due = post.action.until_us < due ? post.action.until_us : due;
        due = gauge.action.until_us < due ? gauge.action.until_us : due;
        due = gauge.span_ends < due ? gauge.span_ends : due;
        due = announces < due ? announces : due;
        due = presses < due ? presses : due;
        now = due > now ? due : now;
        if (announces <= now) {
            MUST(hw_announce(&post_station, now) == HW_OK);
            announces = UINT64_MAX;
        }
        if (presses <= now) {
            MUST(hw_press(&post_station, now, 0, 0) == HW_OK);
            presses = UINT64_MAX;
        }
        if (hears <= now)
            RUN(gauge_hears(now));
        if (gauge.action.until_us <= now || gauge.span_ends <= now)
            RUN(span_over(&gauge, now));
        RUN(ask(&post, now));
        RUN(events(&post));
        RUN(ask(&gauge, now));
        RUN(events(&gauge));
    }
    MUST(gauge.said == 1 && gauge.watermark > stored);
    say("the loop of the guide brings a gauge into step, and it hears: ");
    say(words);
    say("\n");
    MUST(hw_end(&post_station) == HW_OK && hw_end(&gauge_station) == HW_OK);
    return 0;
}

/* A net of three stations on one chip: a post announces and says something to all, sends a message to a
 * gauge alone, which a hut cannot read, and withdraws the hut. */

#include "program.h"
#include "configurations.h"

#define SLOT_US 20000u
#define GAUGE_ADDRESS 0x21
#define HUT_ADDRESS 0x31

/* Static objects are zeroed before the program begins. */
static hw_memory post, gauge, hut;
static hw_outbox outbox;
static hw_inbox inbox;
static uint8_t bits[512], recorded[512], text[128], message[1000], arrived[1100];
static size_t bits_length, text_length, arrived_length;

/* What has happened to the gauge and to the hut. */
static struct {
    int said, called, whole, changed, order, columns;
    hw_payload payload;
} at_gauge;
static struct {
    int said, busy, changed;
} at_hut;

/* What the post does when it may go ahead: words, or a message. */
static const char *words;
static const uint8_t *load;
static size_t load_length;
static uint8_t load_address, load_form;
/* What the last call of hw_outbox_send has come to. */
static int32_t sent;

/* What the radio does. Where another key comes into use, the first answers are due at once. */
static int32_t polled(hw_memory *station, uint64_t now, hw_action *action)
{
    for (int i = 0; i < 8; i++) {
        MUST(hw_poll(station, now, action) == HW_OK);
        if (action->until_us > now)
            return 0;
    }
    return __LINE__;
}

/* Whether a station listens to what the post sends. */
static int meets(const hw_action *sends, const hw_action *listens)
{
    if (sends->radio != HW_RADIO_TRANSMIT || listens->radio != HW_RADIO_LISTEN)
        return 0;
    if (sends->channel != listens->channel)
        return 0;
    return sends->word == listens->word || (listens->complement && sends->word == ~listens->word);
}

/* The gauge has heard a payload: words, or a column of a message. */
static int32_t take(const hw_payload *payload)
{
    uint32_t taken;
    hw_message came;
    MUST(hw_open_payload(&gauge, payload, bits, bits_length, bits + 8, 100, &text_length) == HW_RANGE);
    MUST(hw_open_payload(&gauge, payload, bits, bits_length, text, sizeof text, &text_length) == HW_OK);
    at_gauge.payload = *payload;
    for (size_t i = 0; i < bits_length; i++)
        recorded[i] = bits[i];
    MUST(hw_inbox_take(&inbox, &gauge, payload, text, text_length, &taken) == HW_OK);
    at_gauge.columns += taken != HW_TAKEN_UNREADABLE;
    if (taken == HW_TAKEN_UNREADABLE && text_length != 0) {
        at_gauge.said++;
        say("and says: ");
        say((const char *)text);
        say("\n");
    }
    do {
        MUST(hw_inbox_work(&inbox, &came) == HW_OK);
        if (came.what == HW_INBOX_READY) {
            MUST(came.length <= sizeof arrived && came.source == 0x10);
            for (size_t i = 0; i < came.length; i++)
                arrived[i] = came.text[i];
            arrived_length = came.length;
            at_gauge.whole++;
            at_gauge.order = payload->order;
        }
    } while (came.what == HW_INBOX_WORKING || came.what == HW_INBOX_READY);
    return 0;
}

/* A station hears what the post sends, if it listens there and then. */
static int32_t hears(hw_memory *station, uint64_t begins, const hw_action *sends)
{
    hw_action listens;
    hw_heard heard;
    int32_t line = polled(station, begins, &listens);
    if (line != 0 || !meets(sends, &listens))
        return line;
    hw_reception reception = {
        .at_us = sends->at_us,
        .bits = bits,
        .length = bits_length,
        .word = sends->word,
        .channel = sends->channel,
    };
    MUST(hw_heard_word(station, begins + 19500, &reception, &heard) == HW_OK);
    if (heard.what != HW_HEARD_PAYLOAD)
        return 0;
    if (station == &gauge)
        return take(&heard.payload);
    MUST(hw_open_payload(&hut, &heard.payload, bits, bits_length, text, sizeof text, &text_length) == HW_OK);
    at_hut.said += text_length != 0;
    return 0;
}

static int32_t events(void)
{
    hw_event event;
    while (hw_next_event(&post, &event) == HW_OK) {
        if (event.what != HW_EVENT_GO_AHEAD)
            continue;
        if (words) {
            size_t length = 0;
            while (words[length])
                length++;
            MUST(hw_queue_payload(&post, (const uint8_t *)words, length + 1) == HW_OK);
        }
        if (load)
            MUST(hw_outbox_load(&outbox, &post, event.slot, load_address, load_form, load,
                                load_length) == HW_OK);
    }
    while (hw_next_event(&gauge, &event) == HW_OK) {
        if (event.what == HW_EVENT_IN_STEP && !at_gauge.called)
            say("the gauge is in step\n");
        if (event.what == HW_EVENT_CALL && !at_gauge.called++)
            say("the post calls\n");
        at_gauge.changed |= event.what == HW_EVENT_KEYS_CHANGED && event.slot == CHANGE_SLOT;
    }
    while (hw_next_event(&hut, &event) == HW_OK) {
        at_hut.busy |= event.what == HW_EVENT_BUSY;
        at_hut.changed |= event.what == HW_EVENT_KEYS_CHANGED;
    }
    return 0;
}

/* One slot; lost says that nobody hears what is sent in it. */
static int32_t one_slot(uint64_t slot, int lost)
{
    static const hw_action nothing;
    uint64_t begins = slot * SLOT_US;
    hw_action sends;
    int32_t line = polled(&post, begins, &sends);
    if (line == 0)
        line = events();
    if (line != 0)
        return line;
    sent = hw_outbox_send(&outbox, &post);
    MUST(sent == HW_OK || sent == HW_NONE || sent == HW_REFUSED_FULL ||
         sent == HW_REFUSED_NOT_SPEAKING);
    MUST(hw_burst(&post, bits, sizeof bits, &bits_length) == HW_OK);
    line = hears(&gauge, begins, lost ? &nothing : &sends);
    if (line == 0)
        line = hears(&hut, begins, lost ? &nothing : &sends);
    return line;
}

static uint64_t slot;

/* Slots until one, or until the message is on the air. */
static int32_t run_until(uint64_t end, int lossy)
{
    for (; slot < end; slot++) {
        int32_t line = one_slot(slot, lossy && slot % 3 == 0);
        if (line != 0)
            return line;
    }
    return 0;
}

static int32_t send_all(int lossy)
{
    uint16_t left;
    uint64_t begun = slot + 12, last = slot + 200;
    int32_t line = 0;
    while (line == 0 && (slot <= begun || sent != HW_NONE)) {
        MUST(slot < last);
        line = run_until(slot + 1, lossy);
    }
    if (line != 0)
        return line;
    MUST(hw_outbox_left(&outbox, &left) == HW_OK && left == 0);
    MUST(hw_release(&post, slot * SLOT_US) == HW_OK);
    return run_until(slot + 6, 0);
}

/* The post tells everyone. */
static int32_t speak(const char *what, uint64_t until)
{
    words = what;
    load = NULL;
    MUST(hw_press(&post, slot * SLOT_US, 0, 0) == HW_OK);
    RUN(run_until(until, 0));
    MUST(hw_release(&post, slot * SLOT_US) == HW_OK);
    return run_until(slot + 6, 0);
}

/* A message to the gauge alone, of which every third slot is lost. */
static int32_t selective(void)
{
    hw_payload payload;
    for (size_t i = 0; i < sizeof message; i++)
        message[i] = (uint8_t)(i * 37);
    words = NULL;
    load = message;
    load_length = sizeof message;
    load_address = GAUGE_ADDRESS;
    load_form = 8;
    MUST(hw_press(&post, slot * SLOT_US, HUT_ADDRESS, 8) == HW_REFUSED_NO_KEY);
    MUST(hw_press(&post, slot * SLOT_US, GAUGE_ADDRESS, 8) == HW_OK);
    RUN(send_all(1));
    MUST(at_gauge.whole == 1 && arrived_length == sizeof message);
    MUST(same(arrived, message, sizeof message));
    say("a message of ");
    say_number(sizeof message);
    say(" bytes comes whole, a third of its slots lost\n");
    /* The hut was told that the net is busy. What the gauge reads of recorded bits, it does not. */
    MUST(at_hut.busy && at_hut.said == 1);
    payload = at_gauge.payload;
    MUST(payload.target_address == GAUGE_ADDRESS && payload.target_form == 8);
    MUST(hw_open_payload(&gauge, &payload, recorded, 108, text, sizeof text, &text_length) == HW_OK);
    MUST(hw_open_payload(&hut, &payload, recorded, 108, text, sizeof text, &text_length) == HW_NONE);
    say("the hut, which is not called, has no key to it\n");
    return 0;
}

/* The hut is withdrawn: the order comes over the air, and the keys change at its slot. */
static int32_t withdraw(void)
{
    static uint8_t renewed[800];
    hw_state state;
    hw_plan plan;
    size_t length;
    uint64_t now = slot * SLOT_US;
    load = ORDER;
    load_length = sizeof ORDER;
    load_address = 0;
    load_form = 0;
    MUST(hw_take_order(&post, now, ORDER, sizeof ORDER) == HW_OK);
    MUST(hw_order(&gauge, now) == HW_REFUSED_NOT_TIMEKEEPER);
    MUST(hw_order(&post, now) == HW_OK);
    at_gauge.columns = 0;
    RUN(send_all(0));
    MUST(hw_read_plan(POST, sizeof POST, &plan) == HW_OK && at_gauge.columns == plan.code_n);
    MUST(at_gauge.whole == 2 && at_gauge.order == 1);
    now = slot * SLOT_US;
    MUST(slot < CHANGE_SLOT);
    MUST(hw_take_order(&hut, now, arrived, arrived_length) == HW_REFUSED_NOT_FOR_US);
    MUST(hw_take_order(&gauge, now, arrived, arrived_length) == HW_OK);
    RUN(run_until(CHANGE_SLOT + 2, 0));
    MUST(at_gauge.changed && !at_hut.changed);
    int said = at_hut.said;
    RUN(speak("without the hut", CHANGE_SLOT + 20));
    MUST(at_gauge.said == 2 && at_hut.said == said);
    MUST(hw_look(&gauge, slot * SLOT_US, &state) == HW_OK);
    MUST(state.generation == 1 && state.uses_net_key == 1 && state.in_step == 1);
    /* What the gauge stores now. */
    MUST(hw_renew(&gauge, GAUGE, sizeof GAUGE, renewed, sizeof renewed, &length) == HW_OK);
    MUST(length == sizeof GAUGE && !same(renewed, GAUGE, length));
    MUST(hw_read_plan(renewed, length, &plan) == HW_OK && plan.generation == 1);
    say("the keys change, and the hut hears no more\n");
    return 0;
}

/* The hut goes over to the calling channel. */
static int32_t single(void)
{
    hw_action action;
    uint64_t now = slot * SLOT_US;
    MUST(hw_set_mode(&hut, now, HW_MODE_SINGLE_SEALED) == HW_OK);
    MUST(hw_press(&hut, now, 0, 0) == HW_OK);
    RUN(polled(&hut, now, &action));
    MUST(action.radio == HW_RADIO_TRANSMIT && action.channel == CALLING);
    MUST(hw_release(&hut, now) == HW_OK);
    say("the hut speaks on the calling channel\n");
    return 0;
}

int32_t net(const uint8_t *gauge_configuration, size_t length)
{
    static const hw_raster raster = {.base_hz = 902300000, .spacing_hz = 200000, .channels = 128};
    hw_start fresh = {.seed = 1, .watermark = HW_WATERMARK_FRESH};
    hw_plan plan;
    uint16_t channel;
    uint64_t hz;
    uint8_t in_step;
    MUST(hw_read_plan(gauge_configuration, length, &plan) == HW_OK);
    MUST(plan.address == GAUGE_ADDRESS && plan.slot_us == SLOT_US && plan.channels == 128);
    MUST(hw_init(&post, POST, sizeof POST, &fresh) == HW_OK);
    MUST(hw_init(&gauge, gauge_configuration, length, &fresh) == HW_OK);
    MUST(hw_init(&hut, HUT, sizeof HUT, &fresh) == HW_OK);
    MUST(hw_hopset(&gauge, 127, &channel) == HW_OK);
    MUST(hw_frequency(&raster, channel, &hz) == HW_OK && hz == 927700000);
    MUST(hw_outbox_init(&outbox, &plan) == HW_OK && hw_inbox_init(&inbox, &plan) == HW_OK);
    MUST(hw_announce(&gauge, 0) == HW_REFUSED_NOT_TIMEKEEPER);
    MUST(hw_announce(&post, 0) == HW_OK);
    RUN(run_until(80, 0));
    MUST(hw_in_step(&gauge, &in_step) == HW_OK && in_step == 1);
    RUN(speak("41 cm and rising", 100));
    MUST(at_gauge.said == 1 && at_hut.said == 1);
    RUN(selective());
    RUN(withdraw());
    RUN(single());
    MUST(hw_outbox_end(&outbox) == HW_OK && hw_inbox_end(&inbox) == HW_OK);
    MUST(hw_end(&post) == HW_OK && hw_end(&gauge) == HW_OK && hw_end(&hut) == HW_OK);
    for (size_t i = 0; i < HW_MEMORY_BYTES / 8; i++)
        MUST(post.words[i] == 0 && gauge.words[i] == 0 && hut.words[i] == 0);
    for (size_t i = 0; i < HW_INBOX_BYTES / 8; i++)
        MUST(inbox.words[i] == 0);
    return 0;
}

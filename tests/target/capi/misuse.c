/* What a program may do wrong, on the target: every mistake is told. core/capi/tests/misuse tries more of it. */

#include "program.h"
#include "configurations.h"

static hw_memory station, empty;
static hw_outbox outbox;
static hw_inbox inbox;
static hw_loader loader;
static uint8_t bytes[704], text[4096];

static int32_t stations(void)
{
    hw_action action;
    hw_event event;
    hw_state state;
    hw_counters counters;
    hw_start fresh = {.seed = 1, .watermark = HW_WATERMARK_FRESH};
    hw_start odd = {.seed = 1, .watermark = 9};
    size_t length;
    uint16_t channel;
    MUST(hw_poll(&station, 0, &action) == HW_NOT_READY);
    MUST(hw_end(&station) == HW_NOT_READY);
    MUST(hw_poll(NULL, 0, &action) == HW_NULL);
    MUST(hw_poll((hw_memory *)((uint8_t *)&station + 4), 0, &action) == HW_MISALIGNED);
    MUST(hw_init(&station, POST, sizeof POST - 1, &fresh) == HW_CONFIGURATION);
    MUST(hw_init(&station, NULL, sizeof POST, &fresh) == HW_NULL);
    MUST(hw_init(&station, POST, (size_t)-1, &fresh) == HW_RANGE);
    MUST(hw_init(&station, POST, sizeof POST, NULL) == HW_NULL);
    MUST(hw_init(&station, POST, sizeof POST, &odd) == HW_RANGE);
    MUST(hw_init(&station, POST, sizeof POST, &fresh) == HW_OK);
    MUST(hw_init(&station, POST, sizeof POST, &fresh) == HW_READY);
    MUST(hw_poll(&station, 0, NULL) == HW_NULL);
    MUST(hw_poll(&station, 0, (hw_action *)&station) == HW_RANGE);
    MUST(hw_burst(&station, (uint8_t *)&station + 64, 64, &length) == HW_RANGE);
    MUST(hw_energy(&station, 0, 4096, -40) == HW_RANGE);
    MUST(hw_press(&station, 0, 0x41, 4) == HW_RANGE);
    MUST(hw_press(&station, 0, 0x31, 8) == HW_REFUSED_NO_KEY);
    MUST(hw_release(&station, 0) == HW_REFUSED_NOT_SPEAKING);
    MUST(hw_order(&station, 0) == HW_REFUSED_NO_ORDER);
    MUST(hw_take_order(&station, 0, ORDER, sizeof ORDER - 1) == HW_REFUSED_NOT_FOR_US);
    MUST(hw_set_mode(&station, 0, 3) == HW_RANGE);
    MUST(hw_hopset(&station, 128, &channel) == HW_NONE);
    MUST(hw_look(&station, 0, &state) == HW_OK && state.in_step == 0 && state.has_share == 1);
    MUST(hw_count(&station, &counters) == HW_OK && counters.headers == 0);
    MUST(hw_next_event(&station, &event) == HW_NONE);
    MUST(hw_burst(&station, NULL, 0, &length) == HW_OK && length == 0);
    MUST(hw_renew(&station, POST, sizeof POST, bytes, 9, &length) == HW_TOO_SMALL);
    MUST(length == sizeof POST);
    MUST(hw_renew(&station, HUT, sizeof HUT, bytes, sizeof bytes, &length) == HW_CONFIGURATION);
    MUST(hw_renew(&station, POST, sizeof POST, bytes, sizeof bytes, &length) == HW_OK);
    MUST(length == sizeof POST && same(bytes, POST, length));
    return 0;
}

static int32_t messages(void)
{
    hw_plan plan, impossible;
    hw_message message;
    uint16_t left;
    size_t length;
    uint32_t taken;
    hw_payload payload = {.target_form = 9};
    hw_action action;
    MUST(hw_read_plan(POST, 9, &plan) == HW_CONFIGURATION);
    MUST(hw_read_plan(POST, sizeof POST, &plan) == HW_OK);
    impossible = plan;
    impossible.code_k = impossible.code_n;
    MUST(hw_outbox_left(&outbox, &left) == HW_NOT_READY);
    MUST(hw_outbox_init(&outbox, &impossible) == HW_RANGE);
    MUST(hw_outbox_init(&outbox, &plan) == HW_OK);
    MUST(hw_outbox_send(&outbox, &empty) == HW_NOT_READY);
    MUST(hw_outbox_send(&outbox, (hw_memory *)&outbox) == HW_RANGE);
    MUST(hw_outbox_load(&outbox, &station, 5, 0x41, 4, POST, 5) == HW_RANGE);
    MUST(hw_outbox_load(&outbox, &station, 5, 0, 0, text, sizeof text) == HW_REFUSED_TOO_LONG);
    MUST(hw_outbox_load(&outbox, &station, 5, 0, 0, (uint8_t *)&outbox, 5) == HW_RANGE);
    MUST(hw_outbox_longest(&outbox, &left) == HW_OK && left == 102 * 24 - 16);
    MUST(hw_outbox_next(&outbox, bytes, sizeof bytes, &length) == HW_NONE);
    MUST(hw_outbox_load(&outbox, &station, 5, 0, 0, POST, 30) == HW_REFUSED_NOT_SPEAKING);
    /* Nobody answers: behind two seconds of patience it cuts in. */
    MUST(hw_press(&station, 0, 0, 0) == HW_OK && hw_poll(&station, 3000000, &action) == HW_OK);
    MUST(action.radio == HW_RADIO_TRANSMIT);
    MUST(hw_outbox_load(&outbox, &station, 5, 0, 0, POST, 30) == HW_OK);
    MUST(hw_outbox_next(&outbox, bytes, 10, &length) == HW_TOO_SMALL);
    MUST(hw_outbox_next(&outbox, bytes, 11, &length) == HW_OK && length == 11);
    MUST(hw_outbox_left(&outbox, &left) == HW_OK && left == 63);
    MUST(hw_outbox_repeat(&outbox) == HW_OK);
    MUST(hw_outbox_left(&outbox, &left) == HW_OK && left == 64);
    MUST(hw_outbox_clear(&outbox) == HW_OK);
    MUST(hw_inbox_init(&inbox, &plan) == HW_OK);
    MUST(hw_inbox_take(&inbox, &station, &payload, POST, 9, &taken) == HW_RANGE);
    MUST(hw_inbox_work(&inbox, &message) == HW_OK && message.what == HW_INBOX_WAITING);
    MUST(hw_outbox_end((hw_outbox *)&inbox) == HW_NOT_READY);
    MUST(hw_outbox_end(&outbox) == HW_OK && hw_outbox_end(&outbox) == HW_NOT_READY);
    MUST(hw_inbox_end(&inbox) == HW_OK);
    return 0;
}

static int32_t loaders(void)
{
    hw_storage storage = {.capacity = 2048};
    hw_judge judge = {.sealed = 0};
    size_t length;
    hw_verdict verdict;
    MUST(hw_loader_init(&loader, &storage, &judge, bytes, sizeof bytes) == HW_NULL);
    MUST(hw_loader_verdict(&loader, &verdict) == HW_NOT_READY);
    MUST(hw_load_configuration(&storage, &judge, bytes, sizeof bytes, &length) == HW_NULL);
    return 0;
}

int32_t misuse(void)
{
    int32_t line = stations();
    if (line == 0)
        line = messages();
    if (line == 0)
        line = loaders();
    if (line != 0)
        return line;
    MUST(hw_end(&station) == HW_OK);
    for (size_t i = 0; i < HW_MEMORY_BYTES / 8; i++)
        MUST(station.words[i] == 0);
    for (size_t i = 0; i < HW_INBOX_BYTES / 8; i++)
        MUST(inbox.words[i] == 0);
    say("every mistake is told\n");
    return 0;
}

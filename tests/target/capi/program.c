/* Two stations in a program in C on an emulated Cortex-M4: a post announces, calls and says one thing,
 * a gauge hears it. And what a program may do wrong, on the target.
 *
 * Ends with status 0 if all went as it should, else with the line at which it did not. */

#include "hopwright.h"
#include "configurations.h"

/* ---- what a C library would bring ---- */

extern uint32_t stack_top[], data_begins[], data_ends[], data_in_flash[], bss_begins[], bss_ends[];

static int32_t run(void);

/* Semihosting (Arm, Semihosting for AArch32 and AArch64): write a string, and exit with a status. */
static void semihost(uint32_t operation, const void *argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

static void say(const char *text)
{
    semihost(0x04, text);
}

static void leave(uint32_t status)
{
    const uint32_t block[2] = {0x20026, status};
    semihost(0x20, block);
    for (;;) {
    }
}

void start(void)
{
    /* The floating-point unit is switched on: compilers may use its registers. */
    *(volatile uint32_t *)0xE000ED88 |= 0xFu << 20;
    uint32_t *from = data_in_flash;
    for (uint32_t *to = data_begins; to < data_ends; to++) {
        *to = *from++;
    }
    for (uint32_t *to = bss_begins; to < bss_ends; to++) {
        *to = 0;
    }
    leave((uint32_t)run());
}

static void fault(void)
{
    say("a fault\n");
    leave(101);
}

__attribute__((section(".vectors"), used)) static const void *const vectors[] = {
    stack_top, (const void *)start, (const void *)fault, (const void *)fault,
    (const void *)fault, (const void *)fault, (const void *)fault,
};

/* ---- the program ---- */

/* Static objects are zeroed before the program begins. */
static hw_memory post, gauge;
static uint8_t bits[512], text[128];

#define MUST(condition) \
    do { \
        if (!(condition)) \
            return __LINE__; \
    } while (0)

static int32_t misuse(void)
{
    hw_action action;
    hw_event event;
    hw_start fresh = {.seed = 1, .watermark = HW_WATERMARK_FRESH};
    hw_start odd = {.seed = 1, .watermark = 9};
    size_t length;
    MUST(hw_poll(&post, 0, &action) == HW_NOT_READY);
    MUST(hw_end(&post) == HW_NOT_READY);
    MUST(hw_poll(NULL, 0, &action) == HW_NULL);
    MUST(hw_init(&post, POST, sizeof POST - 1, &fresh) == HW_CONFIGURATION);
    MUST(hw_init(&post, NULL, sizeof POST, &fresh) == HW_NULL);
    MUST(hw_init(&post, POST, (size_t)-1, &fresh) == HW_RANGE);
    MUST(hw_init(&post, POST, sizeof POST, NULL) == HW_NULL);
    MUST(hw_init(&post, POST, sizeof POST, &odd) == HW_RANGE);
    MUST(hw_init(&post, POST, sizeof POST, &fresh) == HW_OK);
    MUST(hw_init(&post, POST, sizeof POST, &fresh) == HW_READY);
    MUST(hw_init(&gauge, GAUGE, sizeof GAUGE, &fresh) == HW_OK);
    MUST(hw_poll(&post, 0, NULL) == HW_NULL);
    MUST(hw_energy(&post, 0, 4096, -40) == HW_RANGE);
    MUST(hw_press(&post, 0, 0x41, 4) == HW_RANGE);
    MUST(hw_release(&post, 0) == HW_REFUSED);
    MUST(hw_announce(&gauge, 0) == HW_REFUSED);
    MUST(hw_next_event(&gauge, &event) == HW_NONE);
    MUST(hw_burst(&post, NULL, 0, &length) == HW_OK && length == 0);
    return 0;
}

/* Whether the gauge listens to what the post sends. */
static int meets(const hw_action *sends, const hw_action *listens)
{
    if (sends->radio != HW_RADIO_TRANSMIT || listens->radio != HW_RADIO_LISTEN)
        return 0;
    if (sends->channel != listens->channel)
        return 0;
    return sends->word == listens->word || (listens->complement && sends->word == ~listens->word);
}

static int32_t net(void)
{
    static const char words[] = "41 cm and rising";
    int called = 0, said = 0;
    MUST(hw_announce(&post, 0) == HW_OK);
    for (uint64_t slot = 0; slot < 200 && !said; slot++) {
        uint64_t begins = slot * 20000;
        hw_action sends, listens;
        hw_event event;
        if (slot == 80)
            MUST(hw_press(&post, begins, 0, 0) == HW_OK);
        MUST(hw_poll(&post, begins, &sends) == HW_OK);
        MUST(hw_poll(&gauge, begins, &listens) == HW_OK);
        while (hw_next_event(&post, &event) == HW_OK) {
            if (event.what == HW_EVENT_GO_AHEAD)
                MUST(hw_queue_payload(&post, (const uint8_t *)words, sizeof words) == HW_OK);
        }
        while (hw_next_event(&gauge, &event) == HW_OK) {
            if (event.what == HW_EVENT_IN_STEP)
                say("the gauge is in step\n");
            if (event.what == HW_EVENT_CALL) {
                called = event.source == 0x10;
                say("the post calls\n");
            }
        }
        if (!meets(&sends, &listens))
            continue;
        hw_heard heard;
        size_t length, read;
        MUST(hw_burst(&post, bits, 32, &length) == HW_TOO_SMALL);
        MUST(hw_burst(&post, bits, sizeof bits, &length) == HW_OK);
        hw_reception reception = {
            .at_us = sends.at_us,
            .bits = bits,
            .length = length,
            .word = sends.word,
            .channel = sends.channel,
        };
        MUST(hw_heard_word(&gauge, begins + 19500, &reception, &heard) == HW_OK);
        if (heard.what != HW_HEARD_PAYLOAD)
            continue;
        MUST(hw_open_payload(&gauge, &heard.payload, bits, length, bits + 8, 100, &read) == HW_RANGE);
        MUST(hw_open_payload(&gauge, &heard.payload, bits, length, text, sizeof text, &read) == HW_OK);
        said = read == sizeof words;
        for (size_t i = 0; said && i < sizeof words; i++)
            said = text[i] == (uint8_t)words[i];
    }
    uint8_t in_step = 0;
    MUST(hw_in_step(&gauge, &in_step) == HW_OK && in_step == 1);
    MUST(called && said);
    say("and says: ");
    say((const char *)text);
    say("\n");
    return 0;
}

static int32_t run(void)
{
    int32_t line = misuse();
    if (line == 0)
        line = net();
    if (line != 0)
        return line;
    MUST(hw_end(&post) == HW_OK && hw_end(&gauge) == HW_OK);
    for (size_t i = 0; i < HW_MEMORY_BYTES / 8; i++)
        MUST(post.words[i] == 0 && gauge.words[i] == 0);
    return 0;
}

/* A program in C on an emulated Cortex-M4: what it may do wrong, a configuration that a carrier brings,
 * a net of three stations, and the driver loop of the guide. What a C library would bring is here; the parts are in the other files.
 *
 * Ends with status 0 if all went as it should, else with a part's number; the line at which it did not
 * has been said. */

#include "program.h"

extern uint32_t stack_top[], data_begins[], data_ends[], data_in_flash[], bss_begins[], bss_ends[];

static int32_t run(void);

/* Semihosting (Arm, Semihosting for AArch32 and AArch64): write a string, and exit with a status. */
static void semihost(uint32_t operation, const void *argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

void say(const char *text)
{
    semihost(0x04, text);
}

void say_number(uint32_t number)
{
    char text[11];
    char *at = text + 10;
    *at = 0;
    do {
        *--at = (char)('0' + number % 10);
        number /= 10;
    } while (number);
    say(at);
}

static void leave(uint32_t status)
{
    const uint32_t block[2] = {0x20026, status};
    semihost(0x20, block);
    for (;;) {
    }
}

int same(const uint8_t *one, const uint8_t *other, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        if (one[i] != other[i])
            return 0;
    }
    return 1;
}

/* Marks the stack that is free, and later finds how much of it has been used. */
#define MARK 0x5AFE5AFEu

static void mark_stack(void)
{
    uint32_t *here;
    __asm__ volatile("mov %0, sp" : "=r"(here));
    for (volatile uint32_t *at = bss_ends; at < here; at++)
        *at = MARK;
}

static uint32_t stack_used(void)
{
    const uint32_t *at = bss_ends;
    while (at < stack_top && *at == MARK)
        at++;
    return (uint32_t)(stack_top - at) * 4;
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
    mark_stack();
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

/* A part that failed, and where. */
static int32_t failed(int32_t part, int32_t line)
{
    say("part ");
    say_number((uint32_t)part);
    say(" failed at line ");
    say_number((uint32_t)line);
    say("\n");
    return part;
}

static int32_t run(void)
{
    int32_t line;
#ifndef GUIDE_ALONE
    static uint8_t configuration[800];
    size_t length;
    line = misuse();
    if (line != 0)
        return failed(1, line);
    line = loading(configuration, sizeof configuration, &length);
    if (line != 0)
        return failed(2, line);
    line = net(configuration, length);
    if (line != 0)
        return failed(3, line);
#endif
    line = guide();
    if (line != 0)
        return failed(4, line);
    say("stack: ");
    say_number(stack_used());
    say(" bytes\n");
    return 0;
}

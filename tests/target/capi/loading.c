/* A carrier brings the gauge's configuration, sealed, over a line. The storage is two banks of memory
 * that behave like flash: erased to FF, and each byte written once. */

#include "program.h"
#include "configurations.h"

#define BANK 2048

static uint8_t banks[2][BANK];
static hw_loader loader;
static uint8_t work[832];
/* Drawn at random, on a board that seals. */
static const uint8_t NONCE[12] = {7};
/* What a call says that comes while another is under way. */
static int32_t nested;

static int32_t read(void *context, uint32_t bank, size_t at, uint8_t *bytes, size_t length)
{
    (void)context;
    if (bank > 1 || at > BANK || length > BANK - at)
        return 1;
    for (size_t i = 0; i < length; i++)
        bytes[i] = banks[bank][at + i];
    return 0;
}

static int32_t write(void *context, uint32_t bank, size_t at, const uint8_t *bytes, size_t length)
{
    if (bank > 1 || at > BANK || length > BANK - at || at % 16 != 0 || length % 16 != 0)
        return 1;
    nested = hw_loader_end(&loader);
    for (size_t i = 0; i < length; i++) {
        if (banks[bank][at + i] != 0xFF)
            return 1;
        banks[bank][at + i] = bytes[i];
    }
    *(uint32_t *)context += 1;
    return 0;
}

static int32_t erase(void *context, uint32_t bank)
{
    (void)context;
    for (size_t i = 0; i < BANK; i++)
        banks[bank & 1][i] = 0xFF;
    return 0;
}

int32_t loading(uint8_t *configuration, size_t room, size_t *length)
{
    uint32_t writes = 0;
    hw_storage storage = {
        .context = &writes, .capacity = BANK, .read = read, .write = write, .erase = erase,
    };
    hw_judge judge = {.sealed = 1, .addressed = 1, .address = 0x21};
    hw_verdict verdict;
    uint8_t answer[HW_ANSWER_BYTES] = {0};
    size_t at = 0, used, said;
    for (size_t i = 0; i < sizeof TRANSFER_KEY; i++)
        judge.transfer_key[i] = TRANSFER_KEY[i];
    erase(&writes, 0);
    erase(&writes, 1);
    MUST(hw_load_configuration(&storage, &judge, configuration, room, length) == HW_NONE);
    MUST(hw_loader_init(&loader, &storage, &judge, work, sizeof work) == HW_OK);
    while (at < sizeof CARRIED) {
        /* As bytes come in from a line: a few at a time. */
        size_t few = sizeof CARRIED - at < 7 ? sizeof CARRIED - at : 7;
        MUST(hw_loader_take(&loader, CARRIED + at, few, &used, answer, sizeof answer, &said) == HW_OK);
        /* Here the answer would be sent. */
        at += used;
    }
    MUST(hw_loader_verdict(&loader, &verdict) == HW_OK);
    MUST(verdict.accepted == 1 && verdict.generation == 1 && verdict.refusal == HW_REFUSAL_NONE);
    MUST(writes > 3 && nested == HW_IN_USE);
    MUST(hw_loader_end(&loader) == HW_OK);
    for (size_t i = 0; i < sizeof loader.words / 8; i++)
        MUST(loader.words[i] == 0);
    /* After a start. What is stored is sealed: no configuration lies there in the clear. */
    MUST(hw_load_configuration(&storage, &judge, configuration, room, length) == HW_OK);
    MUST(*length == sizeof GAUGE && same(configuration, GAUGE, sizeof GAUGE));
    MUST(!same(banks[0] + 160, GAUGE, 32));
    /* As after a change of keys: the other bank takes over, sealed as well, and the first is erased. */
    MUST(hw_replace_configuration(&storage, &judge, NONCE, configuration, *length, work, sizeof work) == HW_OK);
    MUST(banks[0][0] == 0xFF && !same(banks[1] + 160, GAUGE, 32));
    MUST(hw_load_configuration(&storage, &judge, configuration, room, length) == HW_OK);
    MUST(*length == sizeof GAUGE && same(configuration, GAUGE, sizeof GAUGE));
    judge.transfer_key[0] ^= 1;
    MUST(hw_load_configuration(&storage, &judge, work, sizeof work, &said) == HW_CONFIGURATION);
    say("the loader accepts a configuration of ");
    say_number(verdict.size);
    say(" bytes\n");
    return 0;
}

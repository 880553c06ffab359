/* What the parts of the program share. */

#ifndef PROGRAM_H
#define PROGRAM_H

#include "hopwright.h"

/* A part ends with 0 if all went as it should, else with the line at which it did not. */
#define MUST(condition) \
    do { \
        if (!(condition)) \
            return __LINE__; \
    } while (0)

/* The same with another part's answer. */
#define RUN(call) \
    do { \
        int32_t line_ = (call); \
        if (line_ != 0) \
            return line_; \
    } while (0)

/* What a program may do wrong. Makes no station. */
int32_t misuse(void);
/* A carrier brings the gauge's configuration, sealed; it goes to configuration. */
int32_t loading(uint8_t *configuration, size_t room, size_t *length);
/* A net: announce, call, message, change of keys. */
int32_t net(const uint8_t *gauge_configuration, size_t length);

/* The driver loop of docs/c.md, with two radios. */
int32_t guide(void);

/* Semihosting. */
void say(const char *text);
void say_number(uint32_t number);

/* Whether two runs of bytes are the same. */
int same(const uint8_t *one, const uint8_t *other, size_t length);

#endif

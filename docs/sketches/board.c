/* Prints averaged readings as lines of CSV. Plain C: your board's library gives the three functions below
   under names of its own. read_input() is a count from 0 to 4095; printf() goes to the USB serial port. */
#include <stdint.h>
#include <stdio.h>

uint32_t milliseconds(void); /* since the board started; begins again after 2 to the power of 32 */
uint32_t read_input(int input);

enum { INPUTS = 3, READINGS = 20, STEP_MS = 5, HEADER_MS = 5000 };

static uint32_t sum[INPUTS], readings, step_due, header_due;

void setup(void) { step_due = header_due = milliseconds(); }

void loop(void) { /* called again and again, for ever */
    uint32_t now = milliseconds();
    if ((int32_t)(now - header_due) >= 0) {
        printf("ms,u_raw,i_raw,pedal_raw\n");
        header_due = now + HEADER_MS;
    }
    if ((int32_t)(now - step_due) < 0) return;
    step_due = now + STEP_MS;
    for (int i = 0; i < INPUTS; i++) sum[i] += read_input(i);
    if (++readings < READINGS) return;
    printf("%lu", (unsigned long)(uint32_t)(now - READINGS * STEP_MS / 2)); /* the middle of the readings */
    for (int i = 0; i < INPUTS; i++) { /* the mean with one decimal; many boards cannot print a float */
        unsigned long tenths = (10UL * sum[i] + READINGS / 2) / READINGS;
        printf(",%lu.%lu", tenths / 10, tenths % 10);
        sum[i] = 0;
    }
    printf("\n");
    readings = 0;
}

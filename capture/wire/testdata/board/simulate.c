/* simulate.c: runs a program for an ATmega328P in libsimavr, with a shunt amplifier on its two-wire bus
 * and its serial port on a pseudo-terminal.
 *
 *   gcc -o simulate simulate.c -I/usr/include/simavr -lsimavr
 *   ./simulate PROGRAM.bin READINGS LOG [ADDRESS VALUE]
 *
 * READINGS has one line a reading: the shunt register, a space, the bus register. In place of it, "off" is
 * an amplifier without power, which does not acknowledge its address this once and has forgotten its setup;
 * after the last line it stays so. LOG is told of every setup and every reading, with the processor's
 * cycle. ADDRESS and VALUE set 32 bits of its memory before the first setup. The port's name is printed;
 * the processor starts at the first line from standard input and stops when that ends.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "avr_twi.h"
#include "avr_uart.h"
#include "sim_avr.h"

enum { HZ = 16000000, SLICE = HZ / 1000, TWBR_AT = 0xB8, TWSR_AT = 0xB9, AMPLIFIER = 0x40 };

static avr_t *avr;
static FILE *readings, *journal;
static int line; /* master side of the pseudo-terminal */

static void give_up(const char *what)
{
    fprintf(stderr, "simulate: %s (%s)\n", what, strerror(errno));
    exit(1);
}

/* ---- the amplifier ---- */

static struct {
    avr_irq_t *bus;
    int set_up, selected;
    int written, read; /* bytes since the address */
    int to_write;      /* the newest thing on the bus was an address to be written to */
    uint8_t pointer;
    uint16_t configuration, value, shunt, volt;
    avr_cycle_count_t began; /* the transaction */
    int bits;                /* that it has had */
} amp;

/* Takes the next reading; 0 if the amplifier has no power. */
static int next_reading(void)
{
    int shunt, volt;
    char text[64];
    if (!fgets(text, sizeof text, readings) || sscanf(text, "%d %d", &shunt, &volt) != 2)
        return 0;
    amp.shunt = (uint16_t)shunt;
    amp.volt = (uint16_t)volt;
    return 1;
}

/* Looks ahead: is the next line a reading? */
static int powered(void)
{
    int c = fgetc(readings);
    if (c == EOF)
        return 0;
    ungetc(c, readings);
    return c != 'o';
}

static void answer(uint8_t msg, uint8_t data)
{
    avr_raise_irq(amp.bus + TWI_IRQ_INPUT, avr_twi_irq_msg(msg, AMPLIFIER << 1, data));
}

static void addressed(uint8_t address)
{
    amp.written = amp.read = 0;
    amp.bits += 10; /* the start, the address and its acknowledgement */
    amp.selected = address >> 1 == AMPLIFIER;
    if (!amp.selected)
        return;
    if (!powered()) {
        next_reading();
        amp.set_up = amp.selected = 0;
        return;
    }
    answer(TWI_COND_ACK, 1);
    if (!(address & 1))
        return;
    if (!amp.set_up)
        give_up("the program reads an amplifier that it has not set up");
    if (amp.pointer == 1) {
        next_reading();
        fprintf(journal, "reading %llu %d\n", (unsigned long long)avr->cycle, (int16_t)amp.shunt);
    }
    amp.value = amp.pointer == 1 ? amp.shunt : amp.pointer == 2 ? amp.volt : amp.configuration;
}

static void take(uint8_t byte)
{
    if (amp.written == 0)
        amp.pointer = byte;
    else
        amp.configuration = (uint16_t)(amp.configuration << 8 | byte);
    if (++amp.written == 3 && amp.pointer == 0) {
        amp.set_up = 1;
        fprintf(journal, "setup %llu %u\n", (unsigned long long)avr->cycle, amp.configuration);
    }
}

/* The library's bus may be faster than the program asked for. The processor only waits meanwhile, so the
 * time that is missing is let pass at the end of the transaction. */
static void keep_pace(void)
{
    avr_cycle_count_t due = amp.began + (avr_cycle_count_t)(amp.bits + 1) * (16 + 2 * avr->data[TWBR_AT]);
    if (avr->cycle < due) {
        avr->cycle = due;
        avr->run_cycle_count = 1; /* look at the timers before anything else */
    }
    amp.bits = 0;
}

static void on_bus(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    avr_twi_msg_irq_t m = {.u.v = value};
    amp.to_write = m.u.twi.msg & TWI_COND_START && !(m.u.twi.addr & 1);
    if (m.u.twi.msg & TWI_COND_STOP) {
        amp.selected = 0;
        keep_pace();
    } else if (m.u.twi.msg & TWI_COND_START) {
        if (amp.bits == 0)
            amp.began = avr->cycle;
        addressed(m.u.twi.addr);
    } else if (amp.selected && m.u.twi.msg & TWI_COND_WRITE) {
        amp.bits += 9;
        answer(TWI_COND_ACK, 1);
        take(m.u.twi.data);
    } else if (amp.selected && m.u.twi.msg & TWI_COND_READ) {
        amp.bits += 9;
        answer(TWI_COND_READ, amp.read++ == 0 ? amp.value >> 8 : amp.value & 0xFF);
    }
}

/* libsimavr 1.6 reports an address to be written to as if it were a byte (28h and 30h). The processor's
 * data sheet (ATmega328P, table of the master transmitter's status codes) has 18h and 20h. */
static void on_status(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (amp.to_write && (value == 0x28 || value == 0x30)) {
        uint8_t prescaler = avr->data[TWSR_AT] & 7;
        avr->data[TWSR_AT] = (value == 0x28 ? 0x18 : 0x20) | prescaler;
    }
}

/* ---- the serial port ---- */

static void on_byte(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    uint8_t byte = (uint8_t)value;
    while (write(line, &byte, 1) != 1)
        if (errno != EINTR)
            give_up("write to the pseudo-terminal");
}

static void open_line(void)
{
    struct termios raw;
    line = posix_openpt(O_RDWR | O_NOCTTY);
    if (line < 0 || grantpt(line) || unlockpt(line))
        give_up("open a pseudo-terminal");
    /* The far side stays open here, so that a reader may come and go. */
    int far = open(ptsname(line), O_RDWR | O_NOCTTY);
    if (far < 0 || tcgetattr(far, &raw))
        give_up("open the far side");
    cfmakeraw(&raw);
    if (tcsetattr(far, TCSANOW, &raw))
        give_up("set the pseudo-terminal raw");
    puts(ptsname(line));
    fflush(stdout);
}

/* ---- the processor ---- */

static void load(const char *path)
{
    static uint8_t code[32 * 1024];
    FILE *f = fopen(path, "rb");
    if (!f)
        give_up(path);
    size_t n = fread(code, 1, sizeof code, f);
    fclose(f);
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || avr_init(avr))
        give_up("libsimavr has no such processor");
    avr->frequency = HZ;
    avr_loadcode(avr, code, (uint32_t)n, 0);
    avr->codeend = (uint32_t)n;
}

static void attach(void)
{
    uint32_t flags = 0;
    /* libsimavr 1.6 leaves TWINT set when the program writes a one to clear it, so that a program that
     * polls it would not wait at all. */
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "twi"))
            ((avr_twi_t *)io)->twi.raise_sticky = 0;
    amp.bus = avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), 0);
    avr_irq_register_notify(amp.bus + TWI_IRQ_OUTPUT, on_bus, NULL);
    avr_irq_register_notify(amp.bus + TWI_IRQ_STATUS, on_status, NULL);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, NULL);
}

/* Keeps the simulation from running ahead of the time of day. */
static void keep_time(const struct timespec *start)
{
    long long at = start->tv_nsec + (long long)(avr->cycle * 1000 / (HZ / 1000000));
    struct timespec due = {start->tv_sec + at / 1000000000, at % 1000000000};
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL);
}

static void quiet(avr_t *a, const int level, const char *format, va_list ap)
{
    (void)a;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, ap);
}

int main(int argc, char **argv)
{
    char text[64];
    if (argc != 4 && argc != 6) {
        fprintf(stderr, "usage: simulate PROGRAM.bin READINGS LOG [ADDRESS VALUE]\n");
        return 2;
    }
    avr_global_logger_set(quiet);
    load(argv[1]);
    if (!(readings = fopen(argv[2], "r")) || !(journal = fopen(argv[3], "w")))
        give_up("open the readings or the log");
    attach();
    open_line();
    if (!fgets(text, sizeof text, stdin))
        return 0;
    struct timespec start;
    clock_gettime(CLOCK_MONOTONIC, &start);
    avr_cycle_count_t slice = SLICE;
    int fresh = argc == 6;
    for (;;) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            give_up("the program crashed");
        if (fresh && avr->data[TWBR_AT]) { /* the C library has cleared the memory, main has begun */
            uint32_t value = (uint32_t)strtoul(argv[5], NULL, 0);
            memcpy(avr->data + strtoul(argv[4], NULL, 0), &value, sizeof value);
            fresh = 0;
        }
        if (avr->cycle < slice)
            continue;
        slice += SLICE;
        fflush(journal);
        struct pollfd end = {.fd = STDIN_FILENO, .events = POLLIN};
        if (poll(&end, 1, 0) > 0 && read(STDIN_FILENO, text, sizeof text) <= 0)
            return 0;
        keep_time(&start);
    }
}

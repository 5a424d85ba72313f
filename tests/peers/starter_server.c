/* A soft starter played by libmodbus (a Modbus library of other people's), for the tests.
 *
 * starter_server tcp UNIT            listens on a free port of 127.0.0.1, prints it
 * starter_server rtu UNIT PATH       answers on a serial port, prints 0
 *
 * Then one line a register on standard input, TABLE ADDRESS VALUE (0 coil, 1 discrete input, 3 holding, 4 input), and an
 * empty line; `ready` on standard output. The coils 0 (run) and 1 (cut) switch the discrete inputs 0 and 1. Each write is
 * printed as `FUNCTION ADDRESS VALUE`. Ends with its standard input. */
#include <errno.h>
#include <modbus/modbus.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { REGISTERS = 256 };

static void *end_with_input(void *unused) {
    char byte;
    while (read(STDIN_FILENO, &byte, 1) > 0) {}
    _exit(0);
    return unused;
}

static void fill(modbus_mapping_t *map) {
    char line[128];
    int table, address, value;
    while (fgets(line, sizeof line, stdin) && sscanf(line, "%d %d %d", &table, &address, &value) == 3) {
        if (address < 0 || address >= REGISTERS) exit(2);
        switch (table) {
        case 0: map->tab_bits[address] = (uint8_t)value; break;
        case 1: map->tab_input_bits[address] = (uint8_t)value; break;
        case 3: map->tab_registers[address] = (uint16_t)value; break;
        case 4: map->tab_input_registers[address] = (uint16_t)value; break;
        default: exit(2);
        }
    }
}

static void react(const uint8_t *request, int header, modbus_mapping_t *map) {
    int function = request[header], address = request[header + 1] << 8 | request[header + 2];
    int value = request[header + 3] << 8 | request[header + 4];
    if (function == 5 || function == 6) {
        printf("%d %d %d\n", function, address, function == 5 ? value != 0 : value);
        fflush(stdout);
    }
    if (function == 5 && address <= 1) {
        uint8_t on = map->tab_bits[0] && !map->tab_bits[1];
        map->tab_input_bits[0] = map->tab_input_bits[1] = on;
    }
}

static void serve(modbus_t *bus, modbus_mapping_t *map) {
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    int header = modbus_get_header_length(bus);
    for (;;) {
        int length = modbus_receive(bus, request);
        if (length < 0) {
            if (errno == EMBBADCRC || errno == ETIMEDOUT) continue;
            return;
        }
        if (length == 0) continue;
        if (modbus_reply(bus, request, length, map) < 0) return;
        react(request, header, map);
    }
}

int main(int argc, char **argv) {
    if (argc < 3) return 2;
    int tcp = strcmp(argv[1], "tcp") == 0, unit = atoi(argv[2]), listener = -1;
    modbus_t *bus = tcp ? modbus_new_tcp("127.0.0.1", 0) : modbus_new_rtu(argv[3], 115200, 'E', 8, 1);
    if (!bus || modbus_set_slave(bus, unit) < 0) return 1;
    if (tcp) {
        listener = modbus_tcp_listen(bus, 4);
        struct sockaddr_storage address;
        socklen_t size = sizeof address;
        if (listener < 0 || getsockname(listener, (struct sockaddr *)&address, &size) < 0) return 1;
        uint8_t *port = (uint8_t *)&address + 2;
        printf("%d\n", port[0] << 8 | port[1]);
    } else {
        if (modbus_connect(bus) < 0) return 1;
        printf("0\n");
    }
    modbus_mapping_t *map = modbus_mapping_new(REGISTERS, REGISTERS, REGISTERS, REGISTERS);
    if (!map) return 1;
    fill(map);
    printf("ready\n");
    fflush(stdout);
    pthread_t watcher;
    pthread_create(&watcher, NULL, end_with_input, NULL);
    if (!tcp) {
        for (;;) serve(bus, map);
    }
    while (modbus_tcp_accept(bus, &listener) >= 0) serve(bus, map);
    return 0;
}

/* Modbus TCP by libmodbus, the peer and the server of the bench.
 *
 * modbus_peer serve        reads the signature of input register 0 from a line, prints the port, serves one connection
 *                          after the other
 * modbus_peer ask PORT     for each line, a number of seconds: reads 5 input registers again and again for so long,
 *                          prints transactions a second */
#include <modbus/modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>

static double now_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static int serve(void) {
    int signature;
    if (scanf("%d", &signature) != 1) return 1;
    modbus_t *bus = modbus_new_tcp("127.0.0.1", 0);
    int listener = modbus_tcp_listen(bus, 4);
    struct sockaddr_storage address;
    socklen_t size = sizeof address;
    if (listener < 0 || getsockname(listener, (struct sockaddr *)&address, &size) < 0) return 1;
    uint8_t *port = (uint8_t *)&address + 2;
    printf("%d\n", port[0] << 8 | port[1]);
    fflush(stdout);
    modbus_mapping_t *map = modbus_mapping_new(16, 16, 16, 16);
    map->tab_input_registers[0] = (uint16_t)signature;
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    while (modbus_tcp_accept(bus, &listener) >= 0) {
        int length;
        while ((length = modbus_receive(bus, request)) >= 0)
            if (length > 0) modbus_reply(bus, request, length, map);
        modbus_close(bus);
    }
    return 0;
}

static int ask(const char *port) {
    modbus_t *bus = modbus_new_tcp("127.0.0.1", atoi(port));
    if (modbus_connect(bus) < 0) return 1;
    modbus_set_slave(bus, 1);
    double seconds;
    while (scanf("%lf", &seconds) == 1) {
        uint16_t values[5];
        long done = 0;
        double begun = now_s(), end = begun + seconds, now;
        do {
            if (modbus_read_input_registers(bus, 10, 5, values) != 5) return 1;
            done++;
            now = now_s();
        } while (now < end);
        printf("%.3f\n", (double)done / (now - begun));
        fflush(stdout);
    }
    return 0;
}

int main(int argc, char **argv) {
    if (argc == 2 && strcmp(argv[1], "serve") == 0) return serve();
    if (argc == 3 && strcmp(argv[1], "ask") == 0) return ask(argv[2]);
    return 2;
}

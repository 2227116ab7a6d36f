/* An independent Modbus device: libmodbus serves registers given as arguments.
 *
 * Usage: libmodbus_slave rtu PORT UNIT h16=1284 i8=7 ...
 *        libmodbus_slave tcp - UNIT h16=1284 i8=7 ...
 * h is a holding register, i an input register, addresses as on the wire. It has registers
 * 0 to 99 and refuses the others. Prints "ready", followed by the TCP port if there is one. */
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

int main(int argc, char **argv) {
	if (argc < 4)
		return 2;
	int tcp = strcmp(argv[1], "tcp") == 0;
	modbus_t *ctx = tcp ? modbus_new_tcp("127.0.0.1", 0) : modbus_new_rtu(argv[2], 9600, 'N', 8, 1);
	modbus_mapping_t *map = modbus_mapping_new(0, 0, 100, 100);
	if (!ctx || !map)
		return 1;
	for (int i = 4; i < argc; i++) {
		int at = 0;
		long value = 0;
		if (sscanf(argv[i] + 1, "%d=%li", &at, &value) != 2 || at < 0 || at >= 100)
			return 2;
		(argv[i][0] == 'h' ? map->tab_registers : map->tab_input_registers)[at] = (uint16_t)value;
	}
	modbus_set_slave(ctx, atoi(argv[3]));
	int listener = -1;
	if (tcp) {
		listener = modbus_tcp_listen(ctx, 1);
		struct sockaddr_in a;
		socklen_t n = sizeof a;
		if (listener < 0 || getsockname(listener, (struct sockaddr *)&a, &n) != 0)
			return 1;
		printf("ready %d\n", ntohs(a.sin_port));
	} else {
		if (modbus_connect(ctx) != 0) {
			fprintf(stderr, "cannot open %s: %s\n", argv[2], modbus_strerror(errno));
			return 1;
		}
		printf("ready\n");
	}
	fflush(stdout);
	for (;;) {
		uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
		if (tcp && modbus_tcp_accept(ctx, &listener) < 0)
			return 1;
		for (;;) {
			int n = modbus_receive(ctx, query);
			if (n > 0)
				modbus_reply(ctx, query, n, map);
			else if (n < 0 && tcp)
				break;
		}
		modbus_close(ctx);
	}
}

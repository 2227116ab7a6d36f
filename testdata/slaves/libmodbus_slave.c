/* A Modbus slave that others wrote: serves input and holding registers with libmodbus.
 *
 * usage: libmodbus_slave DEVICE UNIT ADDRESS=VALUE [ADDRESS=VALUE ...]
 * It prints "ready" once it serves. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv) {
  if (argc < 4) return 2;
  modbus_t *ctx = modbus_new_rtu(argv[1], 9600, 'N', 8, 1);
  modbus_mapping_t *map = modbus_mapping_new(0, 0, 1000, 1000);
  if (!ctx || !map || modbus_set_slave(ctx, atoi(argv[2])) || modbus_connect(ctx)) {
    fprintf(stderr, "cannot serve on %s: %s\n", argv[1], modbus_strerror(errno));
    return 1;
  }
  for (int i = 3; i < argc; i++) {
    int address, value;
    if (sscanf(argv[i], "%d=%d", &address, &value) == 2 && address >= 0 && address < 1000)
      map->tab_registers[address] = map->tab_input_registers[address] = (uint16_t)value;
  }
  puts("ready");
  fflush(stdout);
  for (;;) {
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    int n = modbus_receive(ctx, query);
    if (n > 0) modbus_reply(ctx, query, n, map);
  }
}

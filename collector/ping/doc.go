// Package ping asks hosts whether they answer, and how quickly, with ICMP echo. It tells
// apart a host that stays silent, a network that cannot be reached, a path that is
// prohibited and a name that does not resolve: only the first is a loss.
//
// In: names or addresses. Out: for each host, whether it answers, round trips and loss.
//
// Echo needs either a group in net.ipv4.ping_group_range (unprivileged mode, tried first;
// the setting governs IPv6 too) or CAP_NET_RAW. Round trips come from the monotonic clock.
package ping

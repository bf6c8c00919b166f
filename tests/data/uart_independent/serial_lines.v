// A serial line driven by a source model, and seen four ways: as it is, through an inverter, as a
// bit of a port, and beside a clock that has nothing to do with it.
module bench;
    reg tx = 1;
    wire tx_inverted = ~tx;
    reg other = 0;
    wire [1:0] port = {tx, other};
    integer sent = 0;

    reg [8*256-1:0] path;
    initial
        if ($value$plusargs("vcd=%s", path)) begin
            $dumpfile(path);
            $dumpvars(0, tx, tx_inverted, other, port, sent);
        end
endmodule

// Two pulled-up lines with three parties on them; each party's register at 0 pulls its line low.
module bench;
    reg controller_scl = 1, controller_sda = 1;
    reg memory_scl = 1, memory_sda = 1;
    reg sensor_scl = 1, sensor_sda = 1;
    tri1 scl, sda;
    assign scl = controller_scl ? 1'bz : 1'b0;
    assign scl = memory_scl ? 1'bz : 1'b0;
    assign scl = sensor_scl ? 1'bz : 1'b0;
    assign sda = controller_sda ? 1'bz : 1'b0;
    assign sda = memory_sda ? 1'bz : 1'b0;
    assign sda = sensor_sda ? 1'bz : 1'b0;

    // The same lines without their pull-ups: z where nobody drives.
    wire scl_open = scl ? 1'bz : 1'b0;
    wire sda_open = sda ? 1'bz : 1'b0;
    // And both as two bits of a port.
    wire [5:4] port = {sda, scl};
    integer transfers = 0;

    reg [8*256-1:0] path;
    initial
        if ($value$plusargs("vcd=%s", path)) begin
            $dumpfile(path);
            $dumpvars(0, scl, sda, scl_open, sda_open, port, transfers, controller_scl,
                      controller_sda, memory_scl, memory_sda, sensor_scl, sensor_sda);
        end
    // A capture that is switched off and on again between two transfers.
    reg off = 0;
    always @(posedge off) $dumpoff;
    always @(negedge off) $dumpon;
endmodule

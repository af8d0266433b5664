module buddyclock

go 1.26.8

/* The variables that the files share. */
#include "drive.h"

drive_t drive;

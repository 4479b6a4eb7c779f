"""A drive of images that is attached, mounted and taken apart by system calls: the four commands for it cost more than
what is done with one of thousands of images."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import os
import struct
import time

from drives import CommandError, Drive

# linux: include/uapi/linux/loop.h
_GET_FREE, _CONFIGURE, _CLEAR = 0x4C82, 0x4C0A, 0x4C01
_CONFIG = struct.Struct("=II232x64x")  # struct loop_config: fd, block size; a loop_info64 and what is reserved, zero
# linux: include/uapi/linux/mount.h
_READ_ONLY, _NO_ATIME = 1, 1024
_libc = ctypes.CDLL(None, use_errno=True)


class QuickDrive(Drive):
    """ext4, xfs or btrfs. Whatever does not work at once is left to the commands."""

    def attach(self) -> None:
        image = os.open(self.image, os.O_RDWR | os.O_CLOEXEC)
        try:
            for _ in range(20):
                if self._configure(image):
                    return
        finally:
            os.close(image)
        super().attach()

    def _configure(self, image: int) -> bool:
        """False where another process was faster to take that device, or nobody has made its node."""
        try:
            control = os.open("/dev/loop-control", os.O_RDWR | os.O_CLOEXEC)
            try:
                device = f"/dev/loop{fcntl.ioctl(control, _GET_FREE)}"
            finally:
                os.close(control)
            loop = os.open(device, os.O_RDWR | os.O_CLOEXEC)
            try:
                fcntl.ioctl(loop, _CONFIGURE, _CONFIG.pack(image, 0))
            finally:
                os.close(loop)
        except OSError:
            return False
        self.device = device
        return True

    def mount(self, *, read_only: bool = False, options: str | None = None) -> None:
        if not self.device:
            self.attach()
        if options is not None:
            self.options = options
        given = [each for each in self.options.split(",") if each]
        flags = _READ_ONLY * read_only | _NO_ATIME * ("noatime" in given)
        data = ",".join(each for each in given if each != "noatime").encode()
        self.root.mkdir(exist_ok=True)
        source, target = (os.fsencode(each) for each in (self.device, self.root))
        for _ in range(50):
            if _libc.mount(source, target, self.kind.encode(), ctypes.c_ulong(flags), data) == 0:
                return
            number = ctypes.get_errno()
            if number not in (errno.EEXIST, errno.EBUSY):
                break
            time.sleep(0.1)  # another image of the same UUID is still mounted in somebody's mount namespace
        raise CommandError(f"{self.image} cannot be mounted as {self.kind}, {self.options}: {os.strerror(number)}")

    def unmount(self) -> None:
        if _libc.umount2(os.fsencode(self.root), 0) != 0:
            super().unmount()

    def detach(self) -> None:
        if self.is_mounted:
            with contextlib.suppress(CommandError):
                self.unmount()
        if self.device and not self.is_mounted and _clear(self.device):
            self.device = ""
        super().detach()


def _clear(device: str) -> bool:
    """Frees a device once nobody has it open any more. Asked for once only: it may be somebody else's right after."""
    try:
        loop = os.open(device, os.O_RDWR | os.O_CLOEXEC)
        try:
            fcntl.ioctl(loop, _CLEAR)
        finally:
            os.close(loop)
        return True
    except OSError:
        return False
